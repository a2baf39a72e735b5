"""The rule `cycles`: events of equal length on a steady hum, to the very ends of the recording."""

from __future__ import annotations

import numpy as np
import pytest

from matching.conditioning import condition
from matching.events import cut
from tests.builders_hum import hum_capture, hum_card


@pytest.mark.parametrize("phase", np.linspace(0, 2 * np.pi, 9))
@pytest.mark.parametrize("n", [640, 683, 1201])
def test_no_event_is_cut_short_by_the_end_of_the_recording(phase, n):
    x = np.sin(2 * np.pi * np.arange(n) / 80.0 + phase)
    card = hum_card()
    signal = condition(card, hum_capture(1, samples=x[None]))
    events = cut(signal, card.events.rule, card.events.params, {})
    assert events.n >= n // 80 - 2
    np.testing.assert_allclose(events.stop - events.start, 80.0, rtol=0.03)
    # each starts at a trough
    np.testing.assert_allclose(np.sin(2 * np.pi * events.start / 80.0 + phase), -1.0, atol=0.05)
