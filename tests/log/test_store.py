"""A log on disk: round trip, the public CF checker, a plain reader, and crashes."""

from __future__ import annotations

import datetime
import os

import numpy as np
import plain_gas
import pytest
import xarray as xr
from compliance_checker.runner import CheckSuite, ComplianceChecker

from tunelab.log import store
from tunelab.log.align import refer_back
from tunelab.log.flag import flag_log, reasons_at, spans, trusted
from tunelab.log.store import StoreError, read_log, write_log
from tunelab.workspace.session import Exclusion, Session


@pytest.fixture(scope="module")
def log() -> xr.Dataset:
    row = Exclusion(start_s=10, end_s=12, author="Ada", reason="belt squealed")
    session = Session(date=datetime.date(2026, 5, 3), steps=["steady"], revision="r01", exclude=[row])
    raw = plain_gas.drive(plain_gas.invent(1), seed=1, minutes=1, rate_hz=25.0)
    raw["latitude_deg"] = 0.0 * raw["meter_v"] + 47.0
    flagged = flag_log(raw, plain_gas.CAR, session, revision=plain_gas.REVISION)
    return refer_back(flagged, delay_s=0.06, delay_flow_s_kg_h=5.0, lag_s=0.1)


def test_values_flags_and_attributes_survive(log, tmp_path):
    back = read_log(write_log(log, tmp_path / "log.nc"))
    xr.testing.assert_equal(back, log)
    for name in log.variables:
        assert back[name].dtype == log[name].dtype
        for key, item in log[name].attrs.items():
            np.testing.assert_array_equal(back[name].attrs[key], item)
    assert {key: back.attrs[key] for key in log.attrs} == log.attrs
    np.testing.assert_array_equal(trusted(back, "lambda_at_fuelling"), trusted(log, "lambda_at_fuelling"))
    assert spans(back).equals(spans(log))
    assert reasons_at(back, 11.0).equals(reasons_at(log, 11.0))


def test_a_second_round_trip_changes_nothing(log, tmp_path):
    once = read_log(write_log(log, tmp_path / "once.nc"))
    xr.testing.assert_identical(read_log(write_log(once, tmp_path / "twice.nc")), once)


def test_the_public_cf_checker_finds_nothing_wrong(log, tmp_path):
    # IOOS compliance-checker, suite cf:1.11, every severity.
    path = write_log(log, tmp_path / "log.nc")
    report = tmp_path / "report.txt"
    CheckSuite.load_all_available_checkers()
    passed, failed = ComplianceChecker.run_checker(
        str(path), ["cf:1.11"], verbose=0, criteria="strict", output_filename=str(report), output_format="text"
    )
    assert not failed
    assert passed, report.read_text()
    assert "All tests passed" in report.read_text()


def test_a_plain_reader_sees_dates_numbers_and_meanings(log, tmp_path):
    path = write_log(log, tmp_path / "log.nc")
    with xr.open_dataset(path) as plain:
        assert np.datetime_as_string(plain["time"].values[0], unit="D") == "2026-05-03"
        seconds = (plain["time"] - np.datetime64("2026-05-03", "ns")) / np.timedelta64(1, "s")
        np.testing.assert_allclose(seconds, log["time"], atol=1e-6)
        np.testing.assert_array_equal(plain["meter_v"], log["meter_v"])
        assert plain["meter_v"].attrs["units"] == "V"
        assert plain["sample_flag"].dtype == np.int32
        assert "fuel_cut" in plain["sample_flag"].attrs["flag_meanings"]


def test_what_netcdf_cannot_hold_is_named(log, tmp_path):
    broken = log.assign(name=("time", ["a"] * log.sizes["time"])).assign_attrs(odd={"a": 1}, sure=True)
    with pytest.raises(StoreError) as caught:
        write_log(broken, tmp_path / "log.nc")
    for word in ("'name'", "'odd'", "JSON", "'sure'"):
        assert word in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_a_failed_write_leaves_the_old_file(log, tmp_path, monkeypatch):
    path = write_log(log, tmp_path / "log.nc")
    before = path.read_bytes()

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(xr.Dataset, "to_netcdf", full)
    with pytest.raises(OSError, match="No space"):
        write_log(log, path)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["log.nc"]


def test_a_file_that_lost_variables_is_not_put_in_place(log, tmp_path, monkeypatch):
    whole = xr.Dataset.to_netcdf

    def part(self, *args, encoding, **kwargs):
        encoding = {name: item for name, item in encoding.items() if name != "meter_v"}
        return whole(self.drop_vars("meter_v"), *args, encoding=encoding, **kwargs)

    monkeypatch.setattr(xr.Dataset, "to_netcdf", part)
    with pytest.raises(StoreError, match="meter_v"):
        write_log(log, tmp_path / "log.nc")
    assert os.listdir(tmp_path) == []


def test_what_is_no_log_is_refused(tmp_path):
    with pytest.raises(FileNotFoundError, match="no such file"):
        read_log(tmp_path / "absent.nc")
    (tmp_path / "raw.nc").write_text("time,rpm\n0,850\n")
    with pytest.raises(StoreError, match=r"raw\.nc"):
        read_log(tmp_path / "raw.nc")
    xr.Dataset({"a": ("x", [1.0])}).to_netcdf(tmp_path / "other.nc", engine=store.ENGINE)
    with pytest.raises(StoreError, match="dimension time"):
        read_log(tmp_path / "other.nc")
