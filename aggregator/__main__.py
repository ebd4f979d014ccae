"""``python -m aggregator`` is the command ``ripieno``."""

import sys

from aggregator.command import main

sys.exit(main())
