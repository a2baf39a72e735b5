"""Arrays to stored bytes and back: every bit survives, every damaged bit is noticed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from refdb import samples
from refdb.errors import CatalogueError
from refdb.samples_grid import find_grid

DTYPES = ("f8", "f4", "f2", "i1", "i2", "i4", "i8", "u1", "u2", "u4", "?")
RNG = np.random.default_rng(4)
WAVE = 6.0 * np.sin(np.arange(5000) / 80.0) + 0.02 * RNG.standard_normal(5000) + 12.0


def bits(array) -> np.ndarray:
    return np.ascontiguousarray(array, dtype=np.float64).view(np.int64)


@given(st.data(), st.sampled_from(DTYPES), st.integers(1, 4), st.integers(0, 300))
@settings(max_examples=150, deadline=None)
def test_whatever_goes_in_comes_back_bit_for_bit(data, dtype, channels, n):
    # round trip: NaN payloads, infinities, denormals and negative zeros included
    elements = st.integers(-(2**53), 2**53) if dtype == "i8" else None
    array = data.draw(hnp.arrays(np.dtype(dtype), (channels, n), elements=elements))
    back, overload = samples.decode(samples.encode(array))
    assert np.array_equal(bits(back), bits(array))
    assert overload is None


@given(
    st.lists(st.integers(-70_000, 70_000), min_size=1, max_size=200),
    st.floats(1e-6, 1e3),
    st.floats(-100, 100),
    st.sampled_from([(1.0, 1.0), (0.5, 20.0), (1.0, 10.0), (3.3e-3, 1.0)]),
)
@settings(max_examples=100, deadline=None)
def test_grids_come_back_bit_for_bit(counts, step, offset, factors):
    # round trip on values that lie on a grid, however odd its step
    scale, attenuation = factors
    array = (np.array([counts], dtype=np.float64) * step + offset) * scale * attenuation
    coded = samples.encode(array, scale=scale, attenuation=attenuation)
    assert np.array_equal(bits(samples.decode(coded)[0]), bits(array))


@pytest.mark.parametrize(
    ("values", "factors"),
    [
        pytest.param(np.round(WAVE / 0.00977) * 0.00977, (1, 1), id="counts times a step"),
        pytest.param(np.round(WAVE * 614.4) * (1 / 614.4), (1, 1), id="a step without digits"),
        pytest.param(np.round(WAVE - 12.0, 2), (1, 1), id="decimals and negative zeros"),
        pytest.param(np.round(WAVE, 3) * 20.0, (1, 20), id="decimals times attenuation"),
        pytest.param(np.round(WAVE, 3) * 1e-3 * 10.0, (1e-3, 10), id="scale and attenuation"),
        pytest.param(np.round(WAVE * 1000) / 32768, (1, 1), id="binary fractions"),
        pytest.param(np.round(WAVE * 100) / 4096 * 5.0, (1, 1), id="counts over a range"),
        pytest.param(np.round(WAVE / 0.01) * 0.01 + 0.005, (1, 1), id="an offset"),
        pytest.param(np.full(5000, 3.3), (1, 1), id="constant"),
    ],
)
def test_grids_of_real_instruments_are_found(values, factors):
    assert find_grid(values, *map(float, factors)) is not None
    coded = samples.encode(values[None], scale=factors[0], attenuation=factors[1])
    assert len(coded) < 1.3 * values.size + 200
    assert np.array_equal(bits(samples.decode(coded)[0]), bits(values[None]))


def test_off_a_grid_nothing_is_rounded():
    assert find_grid(WAVE) is None
    assert np.array_equal(bits(samples.decode(samples.encode(WAVE[None]))[0]), bits(WAVE[None]))


def test_overload_marks_come_back_and_input_is_left_alone():
    array = np.round(WAVE.reshape(2, -1), 2)
    before = array.copy()
    marks = RNG.random(array.shape) < 0.1
    back, overload = samples.decode(samples.encode(array, marks))
    assert overload is not None and np.array_equal(overload, marks)
    assert np.array_equal(back, array) and np.array_equal(array, before)


def test_every_single_flipped_bit_is_noticed():
    coded = samples.encode(np.round(WAVE[None, :40], 2), np.ones((1, 40), bool))
    for at in range(len(coded)):
        for bit in range(8):
            damaged = bytearray(coded)
            damaged[at] ^= 1 << bit
            with pytest.raises(CatalogueError, match="reference 7: expected"):
                samples.decode(bytes(damaged), name="reference 7")


@given(st.binary(max_size=300))
@settings(deadline=None)
def test_any_bytes_give_one_line(data):
    with pytest.raises(CatalogueError, match="reference 7"):
        samples.decode(data, name="reference 7")


def test_sizes_that_lie_are_not_believed():
    # right checksum, wrong claim: what a bug or a forger would write
    body = bytearray(samples.encode(np.zeros((1, 10)))[21:])
    body[2:10] = (2**40).to_bytes(8, "little")
    forged = samples._PREFIX.pack(b"SGTR", 1, samples._digest(1, bytes(body))) + bytes(body)
    with pytest.raises(CatalogueError, match="that do not fit together"):
        samples.decode(forged)


@pytest.mark.parametrize(
    ("array", "text"),
    [
        (
            np.zeros(5),
            "samples: expected an array (channels, n), found shape (5,); read the capture again",
        ),
        (
            np.array([[2**53 + 1]]),
            "samples: expected numbers that float64 holds exactly, found int64 beyond 2^53; "
            "scale them first",
        ),
    ],
)
def test_what_cannot_be_kept_is_refused(array, text):
    with pytest.raises(CatalogueError) as caught:
        samples.encode(array)
    assert str(caught.value) == text


def test_error_texts():
    coded = samples.encode(np.zeros((1, 10)))
    newer = coded[:4] + b"\x02" + coded[5:]
    texts = {
        newer: "reference 7: expected samples in layout 1 or older, found layout 2; "
        "use the newer straygauge that wrote them",
        coded[:-1] + b"?": "reference 7: expected the samples as they were stored, found others; "
        "remove it and add the capture again, or restore a backup",
        b"": "reference 7: expected the samples as they were stored, found bytes that are no "
        "trace; remove it and add the capture again, or restore a backup",
    }
    for trace, text in texts.items():
        with pytest.raises(CatalogueError) as caught:
            samples.decode(trace, name="reference 7")
        assert str(caught.value) == text
