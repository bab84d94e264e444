"""Parquet, netCDF and MDF, written by other libraries: polars, pandas (with pyarrow), xarray, asammdf."""

import sys
import tracemalloc

import numpy as np
import polars as pl
import pytest
import xarray as xr
from plain_car import owners_car
from written_log import waves, write_log

from tunelab.log.map import map_raw
from tunelab.log.read import ReadError, read_raw
from tunelab.workspace import ChannelMap

ROWS = 400


def _map(path):
    return map_raw(read_raw(path), owners_car(), ChannelMap())


def test_parquet_of_polars(tmp_path):
    time = np.datetime64("2026-05-03T10:00:00", "us") + np.arange(ROWS) * np.timedelta64(40, "ms")
    frame = pl.DataFrame({
        "timestamp": time,
        "Engine speed (rpm)": waves(800, 6000).round().astype(np.int32),
        "Fuel mode": pl.Series(["CL", "OL"] * (ROWS // 2), dtype=pl.Categorical),
        "Brake": [True, False] * (ROWS // 2),
        "Lambda": [1.0, None, float("inf"), 1.1] * (ROWS // 4),
        "Pair": [[1, 2]] * ROWS,
    })  # fmt: skip
    frame.write_parquet(tmp_path / "log.parquet")
    raw = read_raw(tmp_path / "log.parquet")
    assert raw.rows_in == raw.frame.height == ROWS
    assert any("'Pair'" in note for note in raw.notes)
    log = map_raw(raw, owners_car(), ChannelMap())
    np.testing.assert_allclose(log["time"], np.arange(ROWS) * 0.04, atol=1e-6)
    assert log["fuel_mode"].values[:2].tolist() == [2, 1]
    assert log["brake_pressed"].values[:2].tolist() == [1, 0]
    assert np.isnan(log["lambda_measured"].values[2])


def test_parquet_of_pandas_with_its_index_as_the_clock(tmp_path):
    pytest.importorskip("pyarrow", reason="pandas writes Parquet with pyarrow")
    import pandas as pd

    index = pd.date_range("2026-05-03 10:00", periods=ROWS, freq="40ms")
    frame = pd.DataFrame({"RPM": waves(800, 6000), "Mode": ["CL"] * ROWS}, index=index)
    frame.to_parquet(tmp_path / "log.pq")
    log = _map(tmp_path / "log.pq")
    assert float(log["time"][-1]) == pytest.approx((ROWS - 1) * 0.04)


def test_netcdf_of_xarray_with_units_and_a_dated_clock(tmp_path):
    data = xr.Dataset(
        {
            "RPM": ("t", waves(800, 6000), {"units": "rpm"}),
            "Coolant": ("t", waves(180, 200), {"units": "degF"}),
            "matrix": (("t", "k"), np.zeros((ROWS, 2))),
        },
        {"time": ("t", np.arange(ROWS) * 0.04, {"units": "seconds since 2026-05-03 10:00:00"})},
    )
    for engine, name in (("h5netcdf", "log.nc"), ("scipy", "old.nc")):
        data.to_netcdf(tmp_path / name, engine=engine)
        raw = read_raw(tmp_path / name)
        assert any("matrix" in note for note in raw.notes)
        log = map_raw(raw, owners_car(), ChannelMap())
        assert float(log["coolant_c"].max()) == pytest.approx((200 - 32) / 1.8, rel=1e-3)
        assert float(log["time"][-1]) == pytest.approx((ROWS - 1) * 0.04)


def test_netcdf_with_a_clock_for_each_rate_keeps_both(tmp_path):
    fast, slow = np.arange(500) / 25, np.arange(20) + 0.013
    data = xr.Dataset(
        {
            "RPM": ("time", waves(800, 6000, 500), {"units": "rpm"}),
            "Coolant": ("slow", waves(70, 90, 20), {"units": "degC"}),
            "serial": ((), 7),
        },
        {
            "time": ("time", fast, {"units": "seconds since 2026-05-03 10:00"}),
            "slow": ("slow", slow * 1000, {"units": "milliseconds since 2026-05-03 12:00 +2:00"}),
        },
    )
    data.to_netcdf(tmp_path / "log.nc", engine="h5netcdf")
    log = _map(tmp_path / "log.nc")
    assert log.sizes["time"] == 520
    fresh = log["coolant_c_fresh"].values == 1
    np.testing.assert_allclose(log["coolant_c"].values[fresh], waves(70, 90, 20))
    np.testing.assert_allclose(log["time"].values[fresh], slow, atol=1e-6)


@pytest.mark.parametrize("unit", ["days since 2026-05-03T12:00:00+02:00", "days"])
def test_netcdf_time_in_days_is_days(tmp_path, unit):
    time = np.arange(ROWS) * 0.04 / 86400
    data = xr.Dataset({"RPM": ("t", waves(800, 6000))}, {"time": ("t", time, {"units": unit})})
    data.to_netcdf(tmp_path / "log.nc", engine="h5netcdf")
    assert float(_map(tmp_path / "log.nc")["time"][-1]) == pytest.approx((ROWS - 1) * 0.04, abs=1e-5)


def test_own_cleaned_log_comes_back_as_it_was(tmp_path):
    from tunelab.log.store import write_log as store

    lam = [f"{x:.3f}" if i % 5 == 0 else "" for i, x in enumerate(waves(0.9, 1.1))]
    clock = [f"{i * 0.04:.2f}" for i in (*range(250), *range(150))]
    columns = {"Time (s)": clock, "RPM": waves(800, 6000), "Lambda": lam, "Fuel mode": ["CL", "OL"] * 200}
    first = _map(write_log(tmp_path / "log.csv", columns))
    store(first, tmp_path / "log.nc")
    again = _map(tmp_path / "log.nc")
    assert set(again) == set(first)
    for name in (*first, "time"):
        np.testing.assert_array_equal(again[name].to_numpy(), first[name].to_numpy())


def test_flags_of_an_own_log_are_no_readings(tmp_path):
    from plain_gas import SESSION

    from tunelab.log.flag import flag_log
    from tunelab.log.store import write_log as store

    first = _map(write_log(tmp_path / "log.csv", {"RPM": waves(800, 6000), "TPS (%)": waves(1, 90)}))
    store(flag_log(first, owners_car(), SESSION), tmp_path / "log.nc")
    again = _map(tmp_path / "log.nc")
    np.testing.assert_array_equal(again["throttle_pct"], first["throttle_pct"])


@pytest.fixture
def mdf_file(tmp_path):
    asammdf = pytest.importorskip("asammdf", reason="the optional extra tunelab[mdf] is not installed")
    fast, slow = np.arange(500) / 50, np.arange(100) / 10 + 0.003
    mdf = asammdf.MDF(version="4.10")
    speed = asammdf.Signal(waves(800, 6000, 500), fast, name="EngineSpeed", unit="1/min")
    meter = asammdf.Signal(waves(1, 4, 500), fast, name="MAF", unit="V")
    mdf.append([speed, meter])
    mdf.append([asammdf.Signal(waves(0.9, 1.1, 100), slow, name="Lambda", unit="-")])
    mode = asammdf.Signal(np.array([b"CL", b"OL"] * 50), slow, name="Fuel mode", encoding="utf-8")
    mdf.append([mode])
    mdf.save(tmp_path / "log.mf4", overwrite=True)
    mdf.close()
    return tmp_path / "log.mf4"


def test_mdf_of_asammdf_keeps_every_groups_own_rate(mdf_file):
    raw = read_raw(mdf_file)
    assert raw.rows_in == raw.frame.height == 600
    log = map_raw(raw, owners_car(), ChannelMap())
    np.testing.assert_allclose(
        log["engine_speed_rpm"].values[log["engine_speed_rpm_fresh"].values == 1], waves(800, 6000, 500), rtol=1e-9
    )
    assert int(log["lambda_measured_fresh"].sum()) == 100
    assert log["lambda_measured"].values[log["lambda_measured_fresh"].values == 1] == pytest.approx(
        waves(0.9, 1.1, 100)
    )
    assert set(np.unique(log["fuel_mode"].values[1:])) == {1.0, 2.0}


def test_readings_of_one_signal_with_the_same_stamp_are_told_of(tmp_path):
    from tunelab.log.read.raw import Signal, Source, table_of_signals

    stamps = np.array([0.0, 0.1, 0.1, 0.2])
    raw = table_of_signals(
        [Signal("RPM", "rpm", stamps, np.arange(4.0), None)], 0.0, Source(tmp_path, "none", ()), "MDF"
    )
    assert raw.frame["RPM"].to_list() == [0, 2, 3]
    assert raw.notes == ("channel 'RPM': 1 readings share their time stamp with a later one and were left out",)


def test_mdf_without_the_extra_says_what_to_install(mdf_file, monkeypatch):
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(ReadError, match=r"tunelab\[mdf\]"):
        read_raw(mdf_file)


@pytest.mark.parametrize("mark", [b"PAR1", b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"MDF     4.10    "])
def test_damaged_binary_files_are_refused_in_plain_words(tmp_path, mark):
    (tmp_path / "log.bin").write_bytes(mark + b"\x07" * 500)
    with pytest.raises(ReadError, match=r"log\.bin: .*(damaged|cannot be read)"):
        read_raw(tmp_path / "log.bin")


def write_parquet(path, columns, **fields):
    """Written by pyarrow; `fields` gives a column the metadata of a type of somebody's own."""
    arrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    arrays = {name: arrow.array(values) for name, values in columns.items()}
    made = [arrow.field(name, values.type, metadata=fields.get(name)) for name, values in arrays.items()]
    parquet.write_table(arrow.table(list(arrays.values()), schema=arrow.schema(made)), path, compression="zstd")


def test_parquet_that_claims_to_hold_objects_in_memory_is_not_taken_at_its_word(tmp_path):
    """Its bytes would be taken for addresses, where the file guesses the number of the process that reads it."""
    pytest.importorskip("pyarrow")
    mark = {b"ARROW:extension:name": b"_POLARS_PYTHON_OBJECT", b"ARROW:extension:metadata": b"1;4096"}
    columns = {"time": np.arange(5.0), "x": [b"\x10" * 16] * 5, "y": [b"\x10" * 16] * 5}
    write_parquet(tmp_path / "log.parquet", columns, x=mark, y={b"ARROW:extension:name": b"of.somebodys.own"})
    raw = read_raw(tmp_path / "log.parquet")
    assert raw.frame.columns == ["time"]
    assert [note.split()[1] for note in raw.notes] == ["'x'", "'y'"]


def test_parquet_lists_stay_packed_and_texts_count_as_often_as_they_stand_there(tmp_path):
    arrow = pytest.importorskip("pyarrow")
    write_parquet(tmp_path / "log.parquet", {"time": np.arange(4.0), "l": [[0.0] * 100_000] * 4})
    raw = read_raw(tmp_path / "log.parquet")
    assert raw.frame.columns == ["time"]
    assert "holds List" in raw.notes[0]
    texts = arrow.DictionaryArray.from_arrays(arrow.array(np.zeros(2_000, dtype="i4")), arrow.array(["a" * 50_000]))
    for column in (texts, texts.cast(arrow.string())):
        write_parquet(tmp_path / "log.parquet", {"time": np.arange(2_000.0), "s": column})
        assert (tmp_path / "log.parquet").stat().st_size < 300_000
        with pytest.raises(ReadError, match="unpacks to 100 MB"):
            read_raw(tmp_path / "log.parquet")


def test_classic_netcdf_whose_variables_lie_on_each_other_is_refused(tmp_path):
    """As many variables as there is room for, each over the same bytes: the file is small, what they hold is not."""
    columns = {f"c{k:04d}": xr.Variable("t", np.zeros(2), encoding={"_FillValue": None}) for k in range(400)}
    columns = {"a": xr.Variable("row", np.zeros(40_000), encoding={"_FillValue": None}), **columns}
    data = bytearray(xr.Dataset(columns).to_netcdf(engine="scipy"))
    length = data.index(b"\0\0\0\x01t\0\0\0") + 8  # netCDF classic format: a dimension is its name and its length
    data[length : length + 4] = (40_000).to_bytes(4, "big")
    begin = data.index(b"c0000")
    for k in range(400):  # a variable: name, dimensions, attributes, type (6: double), size, place in 8 bytes
        place = data.index(b"\0\0\0\x06", data.index(b"c%04d" % k, begin)) + 8
        data[place : place + 8] = (len(data) - 40_000 * 8).to_bytes(8, "big")
    (tmp_path / "log.nc").write_bytes(data)
    assert len(data) < 600_000
    tracemalloc.start()
    with pytest.raises(ReadError, match="more than 200 times its size"):
        read_raw(tmp_path / "log.nc")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 100e6  # it would unpack to 128 MB, and a larger one to anything
