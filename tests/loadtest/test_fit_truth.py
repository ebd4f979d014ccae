"""The by-hand fit of the truth's constants finds those that were planted."""

from __future__ import annotations

import numpy as np
import pytest

from loadtest.bank import Bank
from loadtest.figures import expected
from loadtest.scenario import load
from tests.benchmarks.fit_truth import Evening, fit


def test_planted_constants_are_found() -> None:
    audience, t_s = Bank(load("steady", phones=20), keep=1).audience, np.arange(35.0, 75.0)
    house = expected(audience, t_s, gain=3.1, delay_s=1.2, lag_s=3.7)
    found = fit([Evening("Steady", audience, t_s, house)])
    assert found == pytest.approx((3.1, 1.2, 3.7), abs=0.2)
