"""The rate by the time column, and what is remarked about it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from refdb.captures import read
from refdb.captures.timeaxis import measure, roundest
from refdb.errors import CaptureError
from tests.capture_files import csv_text, put

STEP = 1e-5


def even(n: int = 1000) -> np.ndarray:
    return np.arange(n) * STEP


def test_an_even_axis_has_no_remark() -> None:
    axis = measure("f", even())
    assert (axis.rate, axis.start, axis.remarks) == (1e5, 0.0, ())
    assert axis.jitter == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("digits", [6, 7, 8])
@pytest.mark.parametrize("rate", [44100.0, 48000.0, 51200.0, 333333.0, 125e3])
def test_rounding_of_printed_time_is_not_jitter(rate: float, digits: int) -> None:
    """The whole span averages rounding out: the rate is within one printed digit of the span."""
    n = 20_000
    time = np.round(np.arange(n) / rate, digits)
    axis = measure("f", time, 10.0**-digits)
    assert axis.rate == pytest.approx(rate, rel=2 * 10.0**-digits / (n / rate))
    assert not [r for r in axis.remarks if "printed" not in r]


def test_time_printed_coarser_than_a_step_is_said() -> None:
    axis = measure("f", np.round(np.arange(5000) * 0.4e-6, 6), 1e-6)
    assert axis.rate == pytest.approx(2.5e6, rel=1e-3)
    assert axis.remarks == (
        "time is printed to 1e-06, coarser than half a step of 4e-07: "
        "the rate comes from the whole span",
    )


def test_a_gap_is_remarked_and_does_not_change_the_rate() -> None:
    time = even()
    time[400:] += 30 * STEP
    axis = measure("f", time)
    assert axis.rate == pytest.approx(1e5, rel=1e-6)
    assert axis.remarks == (
        "time has 1 gap of more than 5 steps, first after sample 399 of 31.0 steps: "
        "samples are missing there",
    )


def test_a_gap_of_five_steps_is_none_and_of_six_is_one() -> None:
    for extra, found in ((4, 0), (5, 1)):
        time = even()
        time[400:] += extra * STEP
        assert len(measure("f", time).remarks) == found


def test_time_that_goes_back_is_remarked() -> None:
    time = even()
    time[500:] -= 100 * STEP
    time[700:] -= 3 * STEP
    axis = measure("f", time)
    assert axis.rate == pytest.approx(1e5, rel=1e-6)
    assert axis.remarks == (
        "time goes back 2 times, first after sample 499 by 99.0 steps: "
        "the samples are not one recording",
    )


@pytest.mark.parametrize(("share", "said"), [(0.10, False), (0.19, False), (0.25, True)])
def test_jitter_above_a_fifth_of_a_step_is_remarked(share: float, said: bool) -> None:
    steps = STEP * (1 + np.random.default_rng(1).uniform(-share, share, 5000))
    axis = measure("f", np.concatenate(([0.0], np.cumsum(steps))))
    assert axis.rate == pytest.approx(1e5, rel=0.01)
    assert [r.partition(" of a step")[0] for r in axis.remarks] == (
        ["time steps jitter by 24 %"] if said else []
    )
    assert axis.jitter == pytest.approx(0.95 * share, abs=0.01) or not said


def test_holes_in_the_time_column_are_filled_and_said(tmp_path: Path) -> None:
    times: list[float | str] = [0.0, 0.001, "", "bad", 0.004, 0.005]
    text = csv_text([times, [1, 2, 3, 4, 5, 6]], above=["t (s),u (V)"])
    capture = read(put(tmp_path, "a.csv", text))
    assert capture.rate_hz == 1000.0
    assert capture.overload is None
    assert capture.remarks == ("2 time cells held no number and were taken from their neighbours",)


@pytest.mark.parametrize("time", [np.zeros(10), -even(10), np.array([0.0, 1.0, 0.0, -1.0, -2.0])])
def test_time_that_does_not_run_forward_is_refused(time: np.ndarray) -> None:
    with pytest.raises(CaptureError, match="f: expected a time column that runs forward, found "):
        measure("f", time)


def test_a_time_column_without_numbers_is_refused() -> None:
    with pytest.raises(CaptureError) as caught:
        measure("f", np.array([0.0, np.nan, np.nan, np.nan, np.nan, 5.0]))
    assert str(caught.value) == (
        "f: expected numbers in the time column, found 2 in 6 rows; "
        "give the rate with --rate, or a file whose time column is numeric"
    )


def test_input_survives() -> None:
    time = even()
    time[3] = np.nan
    before = time.copy()
    measure("f", time)
    np.testing.assert_array_equal(time, before)


@given(st.integers(1, 9999), st.integers(-2, 6), st.integers(10, 2000))
def test_a_round_rate_comes_back_exactly(digits: int, power: int, n: int) -> None:
    """Whatever round rate made the axis is the rate found, to the last bit."""
    rate = float(f"{digits}e{power}")
    assert measure("f", np.arange(n) / rate).rate == rate


def test_roundest_prefers_few_digits_within_what_is_known() -> None:
    assert roundest(499999.9997, 1e-8) == 500e3
    assert roundest(44100.00001, 1e-8) == 44100.0
    assert roundest(1 / 4e-5, 1e-12) == 25e3
    assert roundest(1 / 3e-6, 1e-12) == 1 / 3e-6
