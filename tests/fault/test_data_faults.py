"""Damaged, missing and unwritable files: a plain error, nothing half-written."""

import errno
import os

import numpy as np
import pytest

import evenfield as ef
from evenfield.data import Directivity
from evenfield.data.directions import orbit_directions

SUFFIXES = ["sofa", "nc", "csv"]


@pytest.fixture
def small():
    directions = orbit_directions()
    return Directivity(np.ones((len(directions), 3)) * (1 + 1j), directions, [100.0, 1000.0, 5000.0])


@pytest.mark.parametrize("suffix", ["sofa", "nc"])
@pytest.mark.parametrize("keep", [0, 40, 3000])
def test_a_truncated_file_is_a_plain_error(tmp_path, small, suffix, keep):
    path = tmp_path / f"a.{suffix}"
    ef.write_directivity(small, path)
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(ef.DataError, match=rf"a\.{suffix} failed while reading: .*Try copying it again"):
        ef.read_directivity(path)


@pytest.mark.parametrize("suffix", ["sofa", "nc"])
def test_noise_in_place_of_a_file_is_a_plain_error(tmp_path, suffix):
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(np.random.default_rng(0).bytes(5000))
    with pytest.raises(ef.DataError, match="failed while reading"):
        ef.read_directivity(path)


def test_another_netcdf_file_is_named_as_such(tmp_path):
    from netCDF4 import Dataset

    Dataset(tmp_path / "a.nc", "w").close()
    with pytest.raises(ef.DataError, match="of kind 'evenfield directivity 1'"):
        ef.read_directivity(tmp_path / "a.nc")


def test_missing_files_and_unknown_suffixes_say_what_is_read(tmp_path, small):
    with pytest.raises(ef.DataError, match=r"does not exist.*sofa"):
        ef.read_directivity(tmp_path / "none.sofa")
    (tmp_path / "a.dat").write_text("1 2 3", encoding="utf-8")
    with pytest.raises(ef.DataError, match=r"known format, got '.dat'.*\.sofa"):
        ef.read_directivity(tmp_path / "a.dat")
    with pytest.raises(ef.DataError, match=r"can be written, got '.dat'"):
        ef.write_directivity(small, tmp_path / "a.dat")
    with pytest.raises(ef.DataError, match=r"folder .* does not exist"):
        ef.write_directivity(small, tmp_path / "nowhere" / "a.nc")


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_full_disk_leaves_the_old_file_and_nothing_else(tmp_path, small, suffix, monkeypatch):
    path = tmp_path / f"a.{suffix}"
    ef.write_directivity(small, path)
    before = path.read_bytes()

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ef.DataError, match=r"No space left.*nothing was left half-written"):
        ef.write_directivity(small.replace(level_absolute=False), path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_device_that_refuses_every_byte_is_a_plain_error(small, monkeypatch, tmp_path):
    from evenfield.data import csv_table

    opened = csv_table.Path.open
    monkeypatch.setattr(csv_table.Path, "open", lambda self, mode="r", **k: opened(csv_table.Path("/dev/full"), mode, **k))
    with pytest.raises(ef.DataError, match="No space left"):
        ef.write_directivity(small, tmp_path / "a.csv")
    assert list(tmp_path.iterdir()) == []


def test_a_writer_killed_half_way_leaves_nothing(tmp_path, small, monkeypatch):
    from evenfield.data import netcdf

    def interrupted(_):
        raise KeyboardInterrupt

    monkeypatch.setattr(netcdf, "record_text", interrupted)
    with pytest.raises(KeyboardInterrupt):
        ef.write_directivity(small, tmp_path / "a.nc")
    assert list(tmp_path.iterdir()) == []


def damaged(path, small, change):
    import netCDF4

    ef.write_directivity(small, path)
    with netCDF4.Dataset(path, "a") as file:
        change(file)


def test_not_a_number_names_direction_frequency_and_count(tmp_path, small):
    def poison(file):
        file["pressure_real"][4, 1] = np.nan

    damaged(tmp_path / "a.nc", small, poison)
    with pytest.raises(ef.DataError, match=r"a\.nc.*finite.*direction 4, 1000 Hz; 1 such"):
        ef.read_directivity(tmp_path / "a.nc")


def test_not_a_number_in_sofa_is_named(tmp_path, small):
    def poison(file):
        file["Data.Real"][0, 4, 1] = np.nan

    damaged(tmp_path / "a.sofa", small, poison)
    with pytest.raises(ef.DataError, match=r"a\.sofa.*SOFA Real must be finite.*\[0 4 1\]"):
        ef.read_directivity(tmp_path / "a.sofa")


def test_a_damaged_record_is_named(tmp_path, small):
    def spoil(file):
        file.record = "{"

    damaged(tmp_path / "a.nc", small, spoil)
    with pytest.raises(ef.DataError, match="one line of JSON"):
        ef.read_directivity(tmp_path / "a.nc")
