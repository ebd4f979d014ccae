"""A simulated audience whose truth is known, and the verdicts drawn from it."""
