"""Round trips through every file format, of arbitrary numbers."""

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import evenfield as ef
from evenfield.data import Directions, Directivity

numbers = st.floats(-1e6, 1e6, allow_subnormal=False)


@settings(max_examples=15, deadline=None)
@given(
    values=arrays(float, (2, 4, 3), elements=numbers),
    frequency=st.lists(st.floats(1, 1e5), min_size=3, max_size=3, unique=True).map(sorted),
    suffix=st.sampled_from(["sofa", "nc", "csv"]),
    absolute=st.booleans(),
)
def test_any_pressure_survives(values, frequency, suffix, absolute):
    vectors = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 1], [-0.6, 0.8, 0]])
    d = Directivity(values[0] + 1j * values[1], Directions(vectors), np.array(frequency), level_absolute=absolute)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a.{suffix}"
        ef.write_directivity(d, path)
        back = ef.read_directivity(path)
    assert np.array_equal(back.pressure, d.pressure)
    assert np.array_equal(back.frequency, d.frequency)
    assert back.level_absolute == absolute and back.phase_known
