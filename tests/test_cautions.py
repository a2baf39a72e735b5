"""Cautions: the high-voltage gate (outside check 54), and that every key has its text."""

from __future__ import annotations

import numpy as np
import pytest

from matching.cautions import CAUTIONS, is_high_voltage, keys_for, text_of
from matching.judge import judge
from matching.profile import inspect
from refdb.cards import shipped_cards
from tests.builders_hum import IDLE, hum_capture, hum_card, hum_shelf, members


@pytest.mark.parametrize(
    ("dc", "ac", "high"),
    [(60.0, 0.0, False), (60.1, 0.0, True), (-60.1, 0.0, True), (0.0, 30.0, False),
     (0.0, 30.1, True), (14.0, 0.3, False), (400.0, 0.0, True)],
)  # fmt: skip
def test_check_54_what_counts_as_high_voltage(dc, ac, high):
    """Check 54 (SEEN, 49 CFR 571.305 S3): above 60 V DC or 30 V AC; at the limit not yet."""
    assert is_high_voltage(dc, ac) is high


def test_the_gate_adds_the_warning_once():
    assert keys_for(["hot-parts"], [(14.0, 1.0)]) == ("hot-parts",)
    assert keys_for(["hot-parts"], [(14.0, 1.0), (61.0, 0.0)]) == ("hot-parts", "high-voltage")
    assert keys_for(["high-voltage"], [(61.0, 0.0)]) == ("high-voltage",)
    # a coil's kick is what its own caution speaks of
    assert keys_for(["primary-voltage"], [(61.0, 0.0)]) == ("primary-voltage",)


@pytest.mark.parametrize(("volts", "warned"), [(59.9, False), (60.1, True)])
def test_check_54_an_answer_on_high_voltage_carries_the_warning(volts, warned):
    """Whatever the verdict: the mean of the recording decides."""
    wave = np.sin(np.arange(1200) * 2 * np.pi / 80)
    seen = inspect(hum_card(), hum_capture(1, samples=(volts + wave - wave.mean())[None]), {})
    answer = judge(hum_card(), "a.csv", IDLE, seen, hum_shelf(members(good=4)), 0.05)
    assert (CAUTIONS["high-voltage"] in answer.cautions) is warned
    assert CAUTIONS["rotating-parts"] in answer.cautions


def test_every_card_names_cautions_that_exist():
    named = {key for card in shipped_cards().values() for key in card.cautions}
    assert named <= set(CAUTIONS)
    for key, text in CAUTIONS.items():
        assert text_of(key) == text and "\n" not in text and text.endswith(".")
    assert text_of("Mind the dog.") == "Mind the dog."
