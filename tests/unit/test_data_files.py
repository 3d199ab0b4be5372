"""Reading and writing directivities: round trips, flags, folders of responses."""

import numpy as np
import pytest
import sofar
import soundfile

import evenfield as ef
from evenfield.data import Directions, Directivity, sphere_directions
from evenfield.data.directions import orbit_directions, spherical_to_vectors
from evenfield.data.recognise import band_fraction, sphere_weights

FREQUENCY = np.geomspace(100, 8000, 9)


def off_centre(directions, **flags):
    k = 2 * np.pi * FREQUENCY / 343.2
    value = np.exp(1j * np.outer(directions.vectors @ [0.02, 0.03, 0.05], k)) * (1.5 + directions.vectors[:, :1])
    return Directivity(value, directions, FREQUENCY, **flags)


@pytest.mark.parametrize("suffix", ["sofa", "nc", "csv"])
@pytest.mark.parametrize("directions", [sphere_directions(10.0), orbit_directions()], ids=["sphere", "orbits"])
def test_every_format_reads_back_what_was_written(tmp_path, suffix, directions):
    d = off_centre(
        directions,
        origin=(0.01, 0.0, 0.15),
        phase_known=False,
        level_absolute=True,
        bandwidth=6,
        distance=1.5,
        speed_of_sound=340.0,
        density=1.19,
        provenance={"way": "tweeter", "nodes": 1200},
    )
    path = tmp_path / f"a.{suffix}"
    ef.write_directivity(d, path)
    back = ef.read_directivity(path)
    assert np.array_equal(back.pressure, d.pressure) and np.array_equal(back.frequency, d.frequency)
    assert np.allclose(back.directions.vectors, directions.vectors, atol=2e-15, rtol=0)
    if directions.weights is None:
        assert back.directions.weights is None
    else:
        assert np.array_equal(back.weights, directions.weights)
    for name in ("origin", "phase_known", "level_absolute", "bandwidth", "distance", "speed_of_sound", "density"):
        assert getattr(back, name) == getattr(d, name), name
    assert back.provenance["way"] == "tweeter" and back.provenance["nodes"] == 1200
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_sofar_verifies_and_reads_what_we_write(tmp_path):
    """AES69-2022 FreeFieldDirectivityTF 1.1, read by an independent library with its full verification."""
    d = off_centre(sphere_directions(10.0))
    ef.write_directivity(d, tmp_path / "a.sofa")
    file = sofar.read_sofa(str(tmp_path / "a.sofa"), verify=True, verbose=False)
    assert (file.GLOBAL_SOFAConventions, file.GLOBAL_SOFAConventionsVersion) == ("FreeFieldDirectivityTF", "1.1")
    assert np.array_equal(file.Data_Real[0] + 1j * file.Data_Imag[0], d.pressure)
    assert np.allclose(spherical_to_vectors(*file.ReceiverPosition[:, :2].T), d.directions.vectors, atol=1e-12)
    assert "pascal metre per volt" in file.GLOBAL_Comment


def foreign_sofa(path, azimuth, elevation, data, convention="FreeFieldDirectivityTF", **entries):
    file = sofar.Sofa(convention)
    file.ReceiverPosition = np.stack([azimuth, elevation, np.full(len(azimuth), entries.pop("radius", 1.0))], axis=1)
    file.ReceiverPosition_Type, file.ReceiverPosition_Units = "spherical", "degree, degree, metre"
    if convention.endswith("TF"):
        file.N, file.Data_Real, file.Data_Imag = entries.pop("N"), data.real[None], data.imag[None]
    else:
        file.Data_IR, file.Data_SamplingRate = data[None], entries.pop("rate")
        file.Data_Delay = np.zeros((1, len(azimuth)))
        file.SourcePosition, file.SourcePosition_Type = np.zeros((1, 3)), "cartesian"
        file.SourcePosition_Units = "metre"
    for name, value in entries.items():
        setattr(file, name, value)
    sofar.write_sofa(str(path), file)


def grid_angles(step=10.0):
    azimuth, elevation = np.meshgrid(np.arange(0, 360, step), np.arange(-90 + step, 90, step))
    return np.append(azimuth.ravel(), [0, 0]), np.append(elevation.ravel(), [-90, 90])


def test_a_foreign_sofa_is_relative_and_without_phase_unless_it_says_otherwise(tmp_path):
    azimuth, elevation = grid_angles()
    magnitude = np.linspace(1, 2, len(azimuth))[:, None] * np.ones(6) + 0j
    foreign_sofa(tmp_path / "a.sofa", azimuth, elevation, magnitude, N=FREQUENCY[:6], radius=2.0)
    d = ef.read_directivity(tmp_path / "a.sofa")
    assert d.is_sphere and not d.phase_known and not d.level_absolute and d.distance == 2.0
    assert d.directions.azimuth_deg[3] == pytest.approx(azimuth[3])
    foreign_sofa(
        tmp_path / "b.sofa", azimuth, elevation, magnitude * 1j, N=FREQUENCY[:6], radius=2.0, GLOBAL_Comment="Data in Pa/V."
    )
    d = ef.read_directivity(tmp_path / "b.sofa")
    assert d.level_absolute and d.phase_known
    assert np.allclose(np.abs(d.pressure), 2 * magnitude)  # from 2 m to 1 m


def test_a_turned_source_is_read_in_its_own_frame(tmp_path):
    """A source that looks along +y: the receiver on +y is on its axis, the one on +x to its right."""
    azimuth, elevation = np.array([90.0, 0.0, 0.0]), np.array([0.0, 0.0, 90.0])
    data = np.arange(1.0, 4.0)[:, None] * np.ones(2) + 0j
    foreign_sofa(tmp_path / "a.sofa", azimuth, elevation, data, N=[100.0, 200.0], SourceView=[[0.0, 1.0, 0.0]])
    d = ef.read_directivity(tmp_path / "a.sofa")
    assert np.allclose(d.directions.vectors, [[1, 0, 0], [0, -1, 0], [0, 0, 1]], atol=1e-12)


def test_impulse_responses_in_sofa_become_transfer_functions(tmp_path):
    azimuth, elevation = grid_angles(30.0)
    impulse = np.zeros((len(azimuth), 64))
    impulse[:, 3] = np.linspace(1, 2, len(azimuth))
    foreign_sofa(tmp_path / "a.sofa", azimuth, elevation, impulse, "GeneralFIR", rate=48000.0)
    d = ef.read_directivity(tmp_path / "a.sofa")
    assert d.phase_known and d.bandwidth is None
    assert d.frequency == pytest.approx(np.arange(1, 33) * 750.0)
    want = impulse[:, 3:4] * np.exp(-2j * np.pi * d.frequency * 3 / 48000)
    assert np.allclose(d.pressure, want)


def test_other_conventions_are_refused_by_name(tmp_path):
    file = sofar.Sofa("SimpleFreeFieldHRIR")
    sofar.write_sofa(str(tmp_path / "head.sofa"), file)
    with pytest.raises(ef.DataError, match="SimpleFreeFieldHRIR"):
        ef.read_directivity(tmp_path / "head.sofa")


def write_table(path, text):
    path.write_text(text, encoding="utf-8")
    return path


def test_long_table_of_levels_with_phase(tmp_path):
    path = write_table(
        tmp_path / "a.csv",
        "# level: absolute\nazimuth_deg,elevation_deg,frequency_hz,level_db,phase_deg\n"
        "0,0,100,94,0\n0,0,200,100,90\n10,0,200,80,0\n10,0,100,94,-90\n",
    )
    d = ef.read_directivity(path)
    assert d.level_absolute and d.phase_known and not d.is_sphere
    assert np.allclose(d.level_db, [[94, 100], [94, 80]])
    assert np.angle(d.pressure[1, 0]) == pytest.approx(-np.pi / 2)


def test_wide_table_of_relative_levels(tmp_path):
    path = write_table(tmp_path / "a.csv", "azimuth_deg,elevation_deg,2000,1000\n0,0,-6,0\n0,30,-12,-3\n")
    d = ef.read_directivity(path)
    assert list(d.frequency) == [1000, 2000] and not d.level_absolute and not d.phase_known
    assert np.allclose(20 * np.log10(np.abs(d.pressure)), [[0, -6], [-3, -12]])
    assert np.allclose(d.directions.elevation_deg, [0, 30])


@pytest.mark.parametrize(
    ("text", "say"),
    [
        ("azimuth_deg,elevation_deg,frequency_hz,re,im\n0,0,100,1,0\n0,0,200,x,0\n", r"re must be a number, got 'x' .*line 3"),
        ("azimuth_deg,elevation_deg,frequency_hz,re,im\n0,0,100,nan,0\n", r"re must be finite, got nan .*line 2"),
        ("azimuth_deg,elevation_deg,frequency_hz,re,im\n0,0,100,1,0\n0,0,200,1,0\n10,0,100,1,0\n", r"azimuth 10, .*200 Hz"),
        ("azimuth_deg,elevation_deg,frequency_hz,re,im\n0,0,100,1\n", r"5 cells wide, got 4 .*line 2"),
        ("azimuth,elevation,100\n0,0,1\n", "azimuth_deg"),
        ("azimuth_deg,elevation_deg,100,loud\n0,0,1,2\n", "'loud'"),
        ("", "at least one row"),
    ],
)
def test_a_bad_table_is_named_with_its_line(tmp_path, text, say):
    with pytest.raises(ef.DataError, match=say):
        ef.read_directivity(write_table(tmp_path / "a.csv", text))


@pytest.fixture
def measured_folder(tmp_path):
    folder = tmp_path / "orbit"
    folder.mkdir()
    rows = ["# pa_per_v_full_scale: 0.5", "file,azimuth_deg,elevation_deg,distance_m"]
    for i, azimuth in enumerate((0, 10, 20)):
        impulse = np.zeros(480)
        impulse[20 + i] = 0.25
        soundfile.write(folder / f"h{azimuth}.wav", impulse, 48000, subtype="DOUBLE")
        rows.append(f"h{azimuth}.wav,{azimuth},0,2.0")
    (folder / "angles.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def test_a_folder_of_wav_impulse_responses(measured_folder):
    d = ef.read_directivity(measured_folder)
    assert d.level_absolute and d.phase_known and d.distance == 2.0 and not d.is_sphere
    assert np.allclose(np.abs(d.pressure), 0.5 * 0.25 * 2.0)
    assert np.allclose(d.pressure[1] / d.pressure[0], np.exp(-2j * np.pi * d.frequency / 48000))


def test_a_folder_of_csv_impulse_responses_reads_the_same(measured_folder):
    want = ef.read_directivity(measured_folder)
    table = (measured_folder / "angles.csv").read_text(encoding="utf-8")
    for azimuth in (0, 10, 20):
        samples, rate = soundfile.read(measured_folder / f"h{azimuth}.wav")
        lines = [f"{i / rate!r},{float(v)!r}" for i, v in enumerate(samples)]
        (measured_folder / f"h{azimuth}.csv").write_text("time_s,value\n" + "\n".join(lines) + "\n", encoding="utf-8")
    (measured_folder / "angles.csv").write_text(table.replace(".wav", ".csv"), encoding="utf-8")
    got = ef.read_directivity(measured_folder)
    assert np.allclose(got.frequency, want.frequency) and np.allclose(got.pressure, want.pressure)


def test_a_folder_that_lacks_a_file_or_mixes_rates_is_named(measured_folder):
    soundfile.write(measured_folder / "h10.wav", np.zeros(480), 44100)
    with pytest.raises(ef.DataError, match=r"h10.wav must be sampled at 48000 Hz"):
        ef.read_directivity(measured_folder)
    (measured_folder / "h20.wav").unlink()
    with pytest.raises(ef.DataError, match=r"1 files that do not exist: h20.wav"):
        ef.read_directivity(measured_folder)
    (measured_folder / "angles.csv").unlink()
    with pytest.raises(ef.DataError, match=r"angles.csv"):
        ef.read_directivity(measured_folder)


def test_third_octaves_are_told_from_discrete_frequencies():
    """IEC 61260-1: nominal and exact mid-band frequencies."""
    nominal = [100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000]
    assert band_fraction(np.array(nominal, float)) == 3
    assert band_fraction(ef.base.octave_axis(3)) == 3
    assert band_fraction(ef.base.octave_axis(1)) == 1
    assert band_fraction(ef.base.octave_axis(6)) is None
    assert band_fraction(np.linspace(100, 1000, 10)) is None


def test_weights_are_found_for_spheres_only():
    regular = sphere_directions(10.0)
    found, how = sphere_weights(regular.vectors)
    assert np.allclose(found, regular.weights) and "Clenshaw" in how
    v = np.random.default_rng(1).normal(size=(2000, 3))
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    area, how = sphere_weights(v)
    assert area.sum() == pytest.approx(4 * np.pi) and "Voronoi" in how
    assert area @ v[:, 0] ** 2 == pytest.approx(4 * np.pi / 3, rel=2e-3)
    assert sphere_weights(orbit_directions().vectors)[0] is None
    assert sphere_weights(v[v[:, 0] > -0.5])[0] is None


def test_repeated_directions_are_kept_once_and_said_to_be(tmp_path):
    azimuth, elevation = grid_angles(30.0)
    azimuth, elevation = np.append(azimuth, [60.0, 120.0]), np.append(elevation, [90.0, 90.0])
    data = np.arange(1.0, len(azimuth) + 1)[:, None] * np.ones(2) * 1j
    foreign_sofa(tmp_path / "a.sofa", azimuth, elevation, data, N=[100.0, 200.0])
    d = ef.read_directivity(tmp_path / "a.sofa")
    assert len(d.directions) == len(azimuth) - 2 and d.is_sphere
    assert d.provenance["repeated_directions"].startswith("2 left out")


def test_directions_type_is_not_changed_by_a_round_trip_of_weights(tmp_path):
    v = np.random.default_rng(2).normal(size=(300, 3))
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    d = off_centre(Directions(v, np.full(300, 4 * np.pi / 300)))
    ef.write_directivity(d, tmp_path / "a.sofa")
    assert np.array_equal(ef.read_directivity(tmp_path / "a.sofa").weights, d.weights)
