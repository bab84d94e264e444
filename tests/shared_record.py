"""A record full of things that nobody else should see, for tests of sharing."""

from __future__ import annotations

import csv
import gzip
import io
import json
import re
import zipfile
from base64 import b64decode
from pathlib import Path

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook
from plain_workspace import write_workspace

from tunelab.record.notebook import read_notebook
from tunelab.record.opened import open_session
from tunelab.record.session import record_session

PLACE = "Kestrel Hollow, Øvre Dålen"
VIN = "ZZZTL5AX9X1234567"
SESSION = "2026-05-03-kestrel-hollow"
RAW = "kestrel_hollow_1.csv"
NORTH, EAST = 61.23456, -30.41234
HOME = r"C:\Users\marit\logs\a.csv"
NOTES = f"Parked at Kestrel Hollow, {NORTH}, {EAST}; car {VIN}; logger wrote {HOME} and /home/marit/My logs/b.csv"
SECRETS = ("kestrel", "hollow", "dålen", "øvre", VIN.casefold(), "/home/marit", "users\\marit", "users\\\\marit",
           "61.234", "30.412", "61.23", "-30.41")  # fmt: skip

PARAMETERS = 'session = "x"  # folder\nscale = 2.0  # made up\nout = ""\n'
READ = "opened = record.open_session(session)\nevidence = record.gather_evidence(opened)\nevidence.facts()"
ANSWER = """
import holoviews as hv
import numpy as np
import pandas as pd
from tunelab.study.finding import Finding
from tunelab.record import Chapter, NextRevision, Section
log = evidence.log
print("read from /home/marit/My logs/b.csv at", opened.workspace.root, opened.folder.session.notes)
speed = float(np.nanmean(log["engine_speed_rpm"]))
revision = opened.revision.model_copy(update={"name": "r02", "based_on": "r01"})
because = f"driven at {opened.folder.session.place}"
numbers = (scale * speed, "rpm", speed, 3 * speed, 0.95, 10, 2, "watch", 2.0)
finding = Finding("good.answer", "An answer", *numbers, because)
table = pd.DataFrame({"where": ["Kestrel Hollow"], "latitude [° N]": [61.23456], "value": [scale]})
chapter = Chapter("good", (finding,), {"t": table}, NextRevision(revision, {"": because}),
                  change=Section((because,), (("A table", table),)))
table
"""
MAP = """
track = pd.DataFrame({name[:-4]: log[name].values for name in ("longitude_deg", "latitude_deg") if name in log})
hv.Points(track, ["longitude", "latitude"]) if len(track.columns) else "no position"
"""
TRACE = 'hv.Curve([(0, 1), (1, 2)], "time [s]", "speed").opts(title="Speed at Kestrel Hollow")'
FAIL = 'open("/home/marit/My logs/b.csv")'


def write_notebook(folder: Path, name: str, *sources: str):
    """A small notebook of the kit's form."""
    cells = [
        new_markdown_cell(f"# Is {name} so?"),
        new_code_cell("from tunelab import record\nrecord.set_up_display()"),
    ]
    cells.append(new_code_cell(PARAMETERS, metadata={"tags": ["parameters"]}))
    cells += [new_code_cell(source) for source in sources]
    nbformat.write(new_notebook(cells=cells, metadata={"tunelab": {"steps": ["steady"]}}), folder / f"{name}.ipynb")
    return read_notebook(folder / f"{name}.ipynb")


def private_workspace(root: Path) -> Path:
    """A workspace with secrets in names, notes, columns and data; there and back along a road."""
    write_workspace(root)
    (root / "sessions" / "2026-05-03-steady").rename(root / "sessions" / SESSION)
    folder = root / "sessions" / SESSION
    (folder / "log1.csv").unlink()
    lines = [f"# logger of {VIN}, {PLACE}, {HOME}"]
    heads = ["Time (s)", "Engine speed (rpm)", "MAF (V)", "Lambda", "Coolant (°C)", "Latitude (°)", "Longitude (°)"]
    heads += ["Altitude (m)", "Aux 7", f"Note {VIN}"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(heads)
    for k in range(600):
        along = min(k, 600 - k) * 3e-5
        note = ("at Kestrel Hollow", NOTES, "", "Dålen")[k % 4]
        cells = [f"{k * 0.04:.2f}", 1500 + k % 7, f"{2 + 0.001 * (k % 5)}", f"{1 + 0.001 * (k % 3)}", 85]
        north, east, height = f"{NORTH + along:.5f}", f"{EAST:.5f}", f"{300 + k / 100:.1f}"
        writer.writerow([*cells, north, east, height, north, note])
    (folder / RAW).write_text("\n".join(lines) + "\n" + out.getvalue(), encoding="utf-8")
    session = ["date = 2026-05-03", 'steps = ["steady"]', 'revision = "r01"', 'driver = "Marit Oldskar"']
    session += [f"place = {json.dumps(PLACE, ensure_ascii=False)}  # {PLACE}", f"notes = {json.dumps(NOTES)}"]
    session += ["[[exclude]]", "start_s = 3.0", "end_s = 4.0", 'author = "Marit Oldskar"']
    session += ['reason = "sheep at Kestrel Hollow"']
    (folder / "session.toml").write_text("\n".join(session) + "\n", encoding="utf-8")
    revision = (root / "revisions" / "r01.toml").read_text("utf-8")
    said = 'also_changed = [{ kind = "spark", what = "4 out at Kestrel Hollow" }]\n\n[meter_curve]'
    (root / "revisions" / "r01.toml").write_text(revision.replace("\n[meter_curve]", said), encoding="utf-8")
    return root


def private_record(root: Path, notebooks: Path):
    """Record the private session: one notebook that answers, one that fails with a path in its message."""
    good = write_notebook(notebooks, "good", READ, ANSWER, MAP, TRACE, "record.write(out, chapter)")
    bad = write_notebook(notebooks, "bad", READ, FAIL)
    opened = open_session(private_workspace(root) / "sessions" / SESSION)
    return record_session(opened, [good, bad], {"good": {"scale": 3.0}}).place


def everything_in(path: Path):
    """Every text that can be read out of a zip, with its file: names, bytes in four encodings, what is packed."""
    yield "raw bytes", path.read_bytes().decode("latin-1")
    with zipfile.ZipFile(path) as archive:
        for entry in archive.infolist():
            yield "names", entry.filename
            yield "names", entry.comment.decode("latin-1") + entry.extra.decode("latin-1")
            yield from ((entry.filename, text) for text in _texts(archive.read(entry)))


def _texts(data: bytes):
    if data[:2] == b"\x1f\x8b":
        data = gzip.decompress(data)
    text = data.decode("utf-8", "replace")
    yield text
    yield data.decode("latin-1")
    yield data.decode("utf-16-le", "replace")
    yield data[1:].decode("utf-16-le", "replace")
    for packed in re.findall(r'data-figure="[^"]*">\s*([A-Za-z0-9+/=]+)', text):
        yield gzip.decompress(b64decode(packed)).decode("utf-8")
    if data[:4] == b"\x89HDF":
        yield from _hdf(data)


def _hdf(data: bytes):
    import h5py

    found: list[str] = []
    with h5py.File(io.BytesIO(data)) as file:

        def look(name, thing):
            found.append(name + json.dumps({k: str(v) for k, v in thing.attrs.items()}, ensure_ascii=False))

        look("/", file)
        file.visititems(look)
    return found
