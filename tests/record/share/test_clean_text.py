"""Clean copies of what else may lie about: a notebook that somebody went on with, raw logs of every format."""

import gzip
import io
import json

import nbformat
import numpy as np
import pandas as pd
import polars as pl
import pytest
import xarray as xr
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from tunelab.record.display import TABLE, table_item
from tunelab.record.share.clean_log import clean_log, clean_raw
from tunelab.record.share.clean_text import clean_notebook
from tunelab.record.share.private import Box, Scrubber, rules_for
from tunelab.study.consistency.sensor import check_clock

BOX = Box(61.2, 61.3, -30.5, -30.4)
SECRETS = ("kestrel", "marit", "61.23", "30.41", "6114.07")
TIME = np.arange(100) * 0.1


@pytest.fixture
def scrubber():
    return Scrubber(rules_for(["Kestrel Hollow"], [], [], [BOX]))


def secrets_in(text):
    return [secret for secret in SECRETS if secret in text.casefold()]


def test_of_a_notebook_only_what_can_be_read_through_goes_along(scrubber):
    svg = "<svg><title>Kestrel Hollow</title><desc>/home/marit/a.csv</desc></svg>"
    data = {
        "text/plain": "at Kestrel",
        "image/svg+xml": svg,
        "image/png": "S2VzdHJlbA==",
        "text/html": "<p>K&#101;strel",
    }
    colours = "\x1b[31m/home/marit/a.csv\x1b[0m, Kes\x1b[1mtrel\x1b[0m"
    outputs = [new_output("display_data", data), new_output("stream", text=colours)]
    outputs += [
        new_output("error", ename="OSError", evalue=colours, traceback=[colours, "File \x1b[32m/srv/marit/x.py"])
    ]
    cells = [new_code_cell("1", outputs=outputs, metadata={"note": "Kestrel", "tags": ["parameters"]})]
    cells += [new_markdown_cell("![](attachment:a.png)", attachments={"a.png": {"image/png": "S2VzdHJlbA=="}})]
    text = clean_notebook(nbformat.writes(new_notebook(cells=cells)), scrubber, "a.ipynb")
    assert secrets_in(text) == []
    assert "S2VzdHJlbA" not in text
    assert "K&#101;" not in text
    nbformat.validate(json.loads(text))
    kept = nbformat.reads(text, as_version=4).cells[0]
    assert kept.metadata.tags == ["parameters"]
    assert kept.outputs[0].data["text/plain"] == "at removed-place-1"
    assert scrubber.removed["unread", "an output of the kind image/png", "a.ipynb"] == 1


def test_columns_printed_side_by_side_are_no_position_and_the_table_goes_along(scrubber):
    """A row of a table with its lower and upper end reads as degrees: the plain print goes, the table itself stays."""
    rows = {"title": ["largest error of a cell"], "lower": [-8.847663], "upper": [-4.314267]}
    table = table_item(pd.DataFrame(rows))
    plain = "18 -0.047098  0.216891     %   9055  1168  \n19 -8.847663 -4.314267     %   9055  1168 \n"
    outputs = [new_output("display_data", {TABLE: table, "text/plain": plain})]
    outputs += [new_output("display_data", {TABLE: table, "text/plain": "   lower\n0   -8.8\n"})]
    text = clean_notebook(
        nbformat.writes(new_notebook(cells=[new_code_cell("1", outputs=outputs)])), scrubber, "a.ipynb"
    )
    first, second = nbformat.reads(text, as_version=4).cells[0].outputs
    assert "text/plain" not in first.data
    assert first.data[TABLE]["rows"] == table["rows"]
    assert "text/plain" in second.data


def test_lines_above_the_data_give_no_position(scrubber, tmp_path):
    above = ["# Lat,61.23456", "# Lon,-30.41234", "# fix 6114.0738,N,03024.7404,W", "# start 61.23456,-30.41234"]
    rows = [f"{t:.2f},{1500 + k},{61.234 + k * 1e-5:.5f}" for k, t in enumerate(TIME)]
    packed = io.BytesIO()
    with gzip.GzipFile(filename="kestrel_inside.csv", mode="wb", fileobj=packed) as file:
        file.write("\n".join([*above, "Time (s),Engine speed (rpm),Aux 7", *rows]).encode())
    path = tmp_path / "log.csv.gz"
    path.write_bytes(packed.getvalue())
    copy = clean_raw(path, {}, scrubber, [BOX]).data
    text = gzip.decompress(copy).decode()
    assert secrets_in(text) == secrets_in(copy[:60].decode("latin-1")) == []
    assert text.splitlines()[-1].startswith("9.90,1599,")


def test_a_position_is_gone_below_another_heading_and_from_rows_that_lack_a_cell(scrubber, tmp_path):
    names, other = "Time (s),RPM,Latitude (deg),Lambda", "Time (s),Latitude (deg),Lambda,RPM"
    above = [f"{t:.2f},{1500 + k},{61.234 + k * 1e-5:.5f},1.0" for k, t in enumerate(TIME)]
    below = [f"{t + 20:.2f},{61.234 + k * 1e-5:.5f},1.0,{1500 + k}" for k, t in enumerate(TIME)]
    above[40], below[40] = "1.60,61.23440,1.0,", "21.60,61.23440,1.0"
    path = tmp_path / "log.csv"
    path.write_text("\n".join([names, *above, other, *below, ""]))
    text = clean_raw(path, {"Latitude (deg)": "latitude_deg"}, scrubber, [BOX]).data.decode()
    assert "61.23" not in text
    assert names in text
    assert other in text
    assert text.splitlines()[-1] == f"{TIME[-1] + 20:.2f},,1.0,{1500 + len(TIME) - 1}"


def write_netcdf(path):
    speed = ("time", 1500 + TIME, {"units": "rpm", "comment": "Kestrel Hollow"})
    names = {"Engine speed": speed, "Lat": ("time", 61.23 + TIME * 1e-5), "Aux 7": ("time", 61.23 + TIME * 1e-5)}
    names["Note"] = ("time", ["at Kestrel Hollow"] * TIME.size)
    log = xr.Dataset(names, {"time": ("time", TIME, {"units": "s"})}, {"history": "read from /home/marit/a.csv"})
    log.to_netcdf(path, engine="h5netcdf")


def write_mdf(path):
    asammdf = pytest.importorskip("asammdf")
    signals = [asammdf.Signal(1500 + TIME, TIME, name="Engine speed", unit="rpm", comment="Kestrel Hollow")]
    signals += [asammdf.Signal(61.23 + TIME * 1e-5, TIME, name="Latitude", unit="deg")]
    with asammdf.MDF(version="4.10") as file:
        file.header.author = "marit"
        file.append(signals, comment="Kestrel Hollow")
        file.save(path)


@pytest.mark.parametrize(("name", "write"), [("a.nc", write_netcdf), ("a.mf4", write_mdf)])
def test_of_formats_with_more_inside_every_row_goes_along_as_parquet(scrubber, tmp_path, name, write):
    write(tmp_path / name)
    copy = clean_raw(tmp_path / name, {}, scrubber, [BOX])
    frame = pl.read_parquet(io.BytesIO(copy.data))
    assert copy.ending == ".parquet"
    np.testing.assert_array_equal(frame["Engine speed [rpm]"].to_numpy(), 1500 + TIME)
    assert not {"Lat", "Latitude [deg]", "Aux 7"} & set(frame.columns)
    assert secrets_in(copy.data.decode("latin-1")) == []
    everything = pl.read_parquet(io.BytesIO(clean_raw(tmp_path / name, {}, scrubber, None).data))
    assert {"Lat", "Latitude [deg]"} & set(everything.columns)  # who keeps the place keeps positions


def test_a_log_without_positions_still_tells_how_far_they_lay_apart(scrubber):
    # 20 m/s northward for 200 s; a degree of latitude on a sphere of 6371 km is 111.195 km.
    time = np.arange(2000) * 0.1
    values = {"gps_speed_km_h": np.full(2000, 72.0), "latitude_deg": 61.2 + 20 * time / 111_195}
    values["longitude_deg"] = np.full(2000, -30.45)
    data = {name: ("time", column) for name, column in values.items()}
    data |= {f"{name}_flag": ("time", np.zeros(2000, dtype=np.int32)) for name in values}
    data["sample_flag"] = ("time", np.zeros(2000, dtype=np.int32))
    log = xr.Dataset(data, coords={"time": time})
    cleaned = clean_log(log, scrubber, "log.nc")
    assert "latitude_deg" not in cleaned
    assert json.loads(cleaned.attrs["moved_m"]) == pytest.approx([200.0] * 19, rel=1e-3)
    assert check_clock(cleaned) == check_clock(log)
    assert check_clock(log).status == "met"
    assert "moved_m" not in log.attrs


def test_a_column_of_eastings_is_emptied(scrubber, tmp_path):
    rows = [f"{t:.2f},{1500 + k},{638897 + k},{6791664 + k}" for k, t in enumerate(TIME)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time (s),Engine speed (rpm),UTM Easting (m),Northing", *rows]))
    text = clean_raw(path, {}, scrubber, [BOX]).data.decode()
    assert "638" not in text
    assert "6791" not in text
    assert text.splitlines()[-1] == "9.90,1599,,"
