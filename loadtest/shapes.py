"""The shapes of one skin response and of one beat. Pure."""

from __future__ import annotations

import numpy as np

from loadtest.people import Floats

TAU_RISE_S, TAU_FALL_S = 0.75, 2.5  # Bateman response; between cvxEDA's 0.7/2.0 and Benedek & Kaernbach's 1.0/3.75
SYSTOLIC_TURN, DICROTIC_TURN = 0.22, 0.54  # where in the beat they lie; shapes from common practice
TEMPLATE_STEPS = 2048


def bateman(t_s: Floats, tau_rise_s: float = TAU_RISE_S, tau_fall_s: float = TAU_FALL_S) -> Floats:
    """The Bateman response, peak 1: proportional to exp(-t/fall) - exp(-t/rise), 0 before 0. Any shape of ``t_s``."""
    peak_s = bateman_peak_s(tau_rise_s, tau_fall_s)
    size = np.exp(-peak_s / tau_fall_s) - np.exp(-peak_s / tau_rise_s)  # the difference at its peak
    late = np.maximum(t_s, 0.0)
    made: Floats = np.where(t_s > 0, (np.exp(-late / tau_fall_s) - np.exp(-late / tau_rise_s)) / size, 0.0)
    return made


def bateman_peak_s(tau_rise_s: float = TAU_RISE_S, tau_fall_s: float = TAU_FALL_S) -> float:
    """Time from onset to the response's peak."""
    return float(np.log(tau_fall_s / tau_rise_s) * tau_fall_s * tau_rise_s / (tau_fall_s - tau_rise_s))


def _template() -> Floats:
    """One beat over its phase, trough to peak 1, mean 0: a systolic peak and a dicrotic bump, periodic."""
    turn = np.arange(TEMPLATE_STEPS) / TEMPLATE_STEPS
    made: Floats = np.zeros(TEMPLATE_STEPS)
    for centre, width, height in ((SYSTOLIC_TURN, 0.09, 1.0), (DICROTIC_TURN, 0.11, 0.28)):
        for wrap in (-1.0, 0.0, 1.0):
            made += height * np.exp(-0.5 * ((turn - centre + wrap) / width) ** 2)
    made = (made - made.min()) / (made.max() - made.min())
    made -= made.mean()
    return made


TEMPLATE = _template()
SYSTOLIC_PEAK_TURN = float(np.argmax(TEMPLATE)) / TEMPLATE_STEPS
