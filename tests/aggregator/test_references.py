"""Which outside reference is checked where: a row for each one that the code claims to respect.

Status: R read in its abstract, text or source; D derived from the stated formula; M from memory, not confirmed;
P common practice of the trade, no source.
"""

from __future__ import annotations

from importlib import import_module

import pytest

#: (what, source, status, module, test)
ROWS = (
    ("smallest response 0.01 uS by computer, 0.05 by hand", "Boucsein et al. 2012", "R",
     "test_electrodermal", "test_the_minimum_is_a_setting_with_a_floor"),
    ("rise 0.5-5 s: steps, slips and gaps are no responses", "Boucsein et al. 2012", "R",
     "test_electrodermal", "test_no_false_response_in_100_artefacts"),
    ("about 10 % show no responses: doubt, not calm", "Dawson, Schell & Filion", "R",
     "test_electrodermal", "test_who_never_responds_is_doubted_and_never_reads_calm"),
    ("responses and level agree with cvxEDA's decomposition", "Greco et al. 2016", "R",
     "test_electrodermal", "test_agrees_with_cvxeda"),
    ("Bateman train of several shapes: precision and recall", "Greco et al. 2016; Benedek & Kaernbach 2010", "D",
     "test_electrodermal", "test_counts_bateman_trains"),
    ("gain and offset of the unit change nothing", "Lykken & Venables 1971", "M",
     "test_arousal", "test_deviations_are_unmoved_by_gain_and_offset_of_the_unit"),
    ("one 10x artefact does not squash what follows", "Ben-Shakhar 1985", "R",
     "test_arousal", "test_one_artefact_does_not_squash_what_follows"),
    ("a falling pulse rate does not decide", "PMC4623197", "R",
     "test_arousal", "test_a_falling_pulse_rate_does_not_overrule_the_skin"),
    ("rate error below the consumer limit, clean", "ANSI/CTA-2065", "R",
     "test_pulse_rate", "test_clean_pulse_is_within_1_bpm_from_45_to_150"),
    ("rate steps 80->120 and 80->40 within 11 s", "IEC 60601-2-27, as stated by monitors' manuals", "R",
     "test_pulse_rate", "test_rate_steps_are_followed_within_11_s"),
    ("two-moving-average beats: dicrotic bump never counted", "Elgendi et al. 2013", "R",
     "test_pulse_rate", "test_dicrotic_bump_is_never_a_beat"),
    ("skewness tells an inverted signal", "Elgendi 2016", "R", "test_pulse_contact", "test_inverted_is_found"),
    ("feasible pulse 40-180 bpm", "Orphanidou et al. 2015", "M",
     "test_pulse_rate", "test_feasible_pulse_is_40_to_180_bpm"),
    ("RMSSD by definition: 26.077 ms for the worked example", "Task Force 1996", "D",
     "test_pulse_rate", "test_rmssd_has_the_task_forces_arithmetic"),
    ("RMSSD under 2 min is trusted less", "Shaffer & Ginsberg 2017", "R",
     "test_pulse_rate", "test_rmssd_of_a_known_pulse_and_its_confidence_below_2_minutes"),
    ("beats agree with an independent library", "neurokit2 on heartpy's record", "R",
     "test_pulse_records", "test_long_finger_record_against_neurokit2"),
    ("beats agree with the heart's ECG", "pyphysio's record", "R",
     "test_pulse_records", "test_pulse_against_the_ecg_of_the_same_heart"),
    ("a finger that starts cold counts for nothing", "Kistler et al. 1998", "R",
     "test_temperature", "test_a_cold_finger_counts_for_nothing"),
    ("temperature's own lag is respected", "Kistler et al. 1998", "R",
     "test_temperature", "test_nothing_moves_faster_than_the_channel_itself"),
    ("pairwise 0.500 and leave-one-out 0.700", "algebra", "D", "test_synchrony", "test_closed_forms"),
    ("surrogates keep false alarms nominal", "measured over seeds", "D",
     "test_linkage", "test_false_alarms_stay_nominal"),
    ("independent seats: honest p after the show", "circular shifts", "D",
     "test_after_show", "test_independent_listeners_give_honest_p"),
    ("false discovery rate", "Benjamini & Hochberg 1995", "M", "test_after_show", "test_benjamini_hochberg_by_hand"),
    ("exercise is not published as feeling", "common practice", "P",
     "test_fusion", "test_exercise_is_not_published_as_feeling"),
    ("filters equal scipy.signal", "scipy", "R", "test_filters", "test_design_and_output_equal_scipy"),
)  # fmt: skip


@pytest.mark.parametrize(("module", "name"), [row[3:] for row in ROWS], ids=[row[4] for row in ROWS])
def test_every_reference_has_its_check(module: str, name: str) -> None:
    assert callable(getattr(import_module(f"tests.aggregator.{module}"), name, None)), f"{module} has no {name}"


def test_status_letters() -> None:
    assert {row[2] for row in ROWS} <= set("RDMP")
    assert len({row[3:] for row in ROWS}) == len(ROWS)
