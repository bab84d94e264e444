"""A zip from somebody else that wants to act: what it holds is refused or shown as text, and nothing of it runs."""

import gzip
import hashlib
import http.server
import io
import json
import threading
import zipfile
from contextlib import closing

import h5py
import numpy as np
import pytest
import xarray as xr
from offline_browser import browser, offline_page

from tunelab.cli import main
from tunelab.record.notebook import NotebookError
from tunelab.record.share import OpenError, join, open_shared, run_again
from tunelab.record.share.unpack import disarm

NAME = "2026-05-03-removed-place-1"
LOG = f"records/{NAME}/log.nc"
PAGE = f"records/{NAME}/index.html"
CRATE = "ro-crate-metadata.json"
MDF = b"MDF     4.10    a program" + bytes(2000)
ACTS = """<!doctype html><html><head><meta http-equiv="refresh" content="1;url=https://a.example/"></head>
<body onload="window.hit=1"><script>window.hit=1;document.title='hit';top.document.title='hit'</script>
<img src="https://b.example/x.png" onerror="window.hit=1"><form action="https://c.example"><button>go</button></form>
<iframe src="javascript:window.hit=1" srcdoc="<script>top.hit=1</script>"></iframe>
</iframe>"><script>top.hit=1</script><b>what it says</b></body></html>"""


def changed(shared, target, changes):
    """The zip with other contents for these names, and hashes that are right again, as its sender could make it."""
    with zipfile.ZipFile(shared.path) as archive:
        files = {name: archive.read(name) for name in archive.namelist() if name != CRATE}
    for name, content in changes.items():
        files[name] = content(files[name]) if callable(content) else content
    hashes = [{"@id": n, "@type": "File", "sha256": hashlib.sha256(c).hexdigest()} for n, c in files.items()]
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in {CRATE: json.dumps({"@graph": hashes}).encode(), **files}.items():
            archive.writestr(name, content)
    return target


def reaching_log(folder):
    """A log that keeps a variable's values in a file of whoever opens it."""
    (folder / "secret.txt").write_text("the owner's own words")
    log = xr.Dataset({"RPM": ("time", np.arange(500.0))}, {"time": ("time", np.arange(500.0), {"units": "s"})})
    log.to_netcdf(folder / "reaching.nc", engine="h5netcdf")
    with h5py.File(folder / "reaching.nc", "a") as file:
        file.create_dataset("x", (21,), "u1", external=[(str(folder / "secret.txt"), 0, 21)])
    return (folder / "reaching.nc").read_bytes()


def classic_log():
    return bytes(xr.Dataset({"RPM": ("time", np.arange(5.0))}).to_netcdf(engine="scipy"))


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        (LOG, MDF, "no netCDF-4 file"), (LOG, classic_log, "no netCDF-4 file"), (LOG, reaching_log, "in another file"),
        (LOG, gzip.compress(MDF, mtime=0), "no netCDF-4 file"), (LOG, b"\x89HDF\r\n\x1a\n" + bytes(500), "damaged"),
        (f"sessions/{NAME}/log.nc", reaching_log, "in another file"),
        (f"sessions/{NAME}/raw/a.csv", MDF, "of another kind"),
        (f"sessions/{NAME}/raw/a.dat", classic_log, "another kind"),
        (f"sessions/{NAME}/raw/a.csv.gz", gzip.compress(MDF, mtime=0), "of another kind"),
        (f"sessions/{NAME}/raw/a.mf4", MDF, "a kind of file that no record holds"),
        ("notebooks/explore.ipynb", b"{}", "no shared record has such a file there"),
        ("Records/a.ipynb", b"{}", "no shared record has"), ("first.html", b"<p>", "no shared record has"),
        (f"sessions/{NAME}/read me.html", b"<p>", "no shared record has"),
        ("revisions/a.ipynb", b"{}", "no shared record"),
        (f"sessions/{NAME}/more.nc", reaching_log, "no shared record"), ("answers/a/b.csv", b"x", "no shared record"),
        ("answers/a/answer.toml", b"a" + b".a" * 20_000 + b" = 1", "that no settings have"),
        ("revisions/r09.toml", b"[" + b"a . " * 9_000 + b"a]", "that no settings have"),
        (f"sessions/{NAME}/session.toml", b"a = 1\n" * 30_000, "that no settings have"),
    ],
)  # fmt: skip
def test_what_would_act_is_refused_and_nothing_is_left(shared, tmp_path, name, content, said):
    if callable(content):
        content = content(tmp_path) if content is reaching_log else content()
    path = changed(shared, tmp_path / "a.zip", {name: content})
    before = sorted(tmp_path.iterdir())
    with pytest.raises(OpenError, match=said):
        open_shared(path, tmp_path / "theirs")
    assert sorted(tmp_path.iterdir()) == before


@pytest.fixture
def acting(shared, tmp_path):
    """A zip with pages and notebooks that would act, and a record that cannot be run again here."""
    cells = [
        {"cell_type": "code", "id": "a", "metadata": {"trusted": True}, "source": ["import os"], "execution_count": 1,
         "outputs": [{"output_type": "display_data", "metadata": {}, "data": {"text/html": ["<script>1</script>"]}}]},
        {"cell_type": "markdown", "id": "b", "metadata": {}, "source": "<img src='https://b.example/x.png'>"},
    ]  # fmt: skip
    node = json.dumps({"cells": cells, "metadata": {}, "nbformat": 4, "nbformat_minor": 5}).encode()
    changes = {PAGE: ACTS.encode(), f"records/{NAME}/good.ipynb": node, f"records/{NAME}/bad.ipynb": b"[" * 99_999}
    return changed(shared, tmp_path / "acting.zip", changes)


def test_pages_of_the_sender_are_shown_without_script(acting, tmp_path, chromium_path):
    page = open_shared(acting, tmp_path / "theirs").records[0] / "index.html"
    with browser(chromium_path) as started, offline_page(started) as opened:
        opened.show(page, figures=False)
        opened.page.wait_for_timeout(1500)  # longer than the page's own turn to elsewhere takes
        assert "what it says" in opened.page.frame_locator("iframe").locator("body").inner_text()
        assert "from someone else" in opened.page.locator("body > p").inner_text()
        assert opened.page.evaluate("[window.hit, document.title]") == [None, "From someone else: index"]
        assert opened.page.url == page.resolve().as_uri()
        for frame in opened.page.frames:
            assert "example" not in frame.url


@pytest.fixture
def listener():
    """A server on this computer that keeps what it is asked for."""
    asked = []

    class Listener(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_):
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Listener) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"127.0.0.1:{server.server_port}", asked
        server.shutdown()


def test_pages_of_the_sender_reach_no_server(listener, tmp_path, chromium_path):
    """Asked of the server itself: a browser lists what it looks ahead for, also where its policy then sends nothing."""
    host, asked = listener
    urls = [f"{scheme}//{host}/" for scheme in ("http:", "&#104;ttp:", "")]
    acts = "".join(
        f'<img src="{url}x.png"><link rel="stylesheet" href="{url}s.css"><style>@import "{url}i.css";</style>'
        f'<video poster="{url}p.png"></video><object data="{url}o"></object>'
        f'<meta http-equiv="refresh" content="0;{url}">'
        for url in urls
    )
    for folder in ("sent", "opened"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "page.html").write_text(f"<!doctype html><head></head><body>{acts}</body>")
    disarm(tmp_path / "opened")
    with browser(chromium_path) as started:
        for _ in range(8):
            visit(started, tmp_path / "opened/page.html")
        assert asked == []
        visit(started, tmp_path / "sent/page.html")
        assert asked != []  # as it was sent it does ask


def visit(started, path):
    with closing(started.new_context()) as context:
        page = context.new_page()
        page.goto(path.as_uri())
        page.wait_for_timeout(300)


def test_notebooks_of_the_sender_hold_nothing_that_runs(acting, tmp_path):
    record = open_shared(acting, tmp_path / "theirs").records[0]
    for name, text in (("good", "import os"), ("bad", "no notebook could be read")):
        node = json.loads((record / f"{name}.ipynb").read_text("utf-8"))
        assert {cell["cell_type"] for cell in node["cells"]} == {"raw"}
        assert "someone else" in node["cells"][0]["source"]
        assert text in node["cells"][1]["source"]
        assert "outputs" not in json.dumps(node)


def by_another_version(content):
    data = json.loads(content)
    data["notebooks"] = [{**item, "name": "of-long-ago"} for item in data["notebooks"]]
    return json.dumps(data).encode()


def test_after_a_failed_run_nothing_of_the_senders_is_offered(shared, tmp_path, capsys):
    changes = {PAGE: ACTS.encode(), f"records/{NAME}/results.json": by_another_version}
    path = changed(shared, tmp_path / "a.zip", changes)
    assert main(["open", str(path), str(tmp_path / "theirs")]) == 1
    said = capsys.readouterr()
    assert "could not be run again" in said.err
    assert "index.html" not in said.out
    assert "is the sender's, shown without script" in said.out


def test_not_run_again_the_senders_page_is_named_as_such(shared, tmp_path, capsys):
    assert main(["open", str(shared.path), str(tmp_path / "theirs"), "--no-run"]) == 0
    assert "the sender's page, shown without script: " in capsys.readouterr().out


@pytest.mark.parametrize("text", ["/etc", "../../elsewhere", "~/logs", "C:\\logs", "\\\\host\\share"])
def test_a_parameter_that_leads_out_of_the_workspace_is_not_run(shared, tmp_path, notebooks, monkeypatch, text):
    def other(content):
        data = json.loads(content)
        data["parameters"]["good"]["scale"] = ["here", text]
        return json.dumps(data).encode()

    monkeypatch.setattr(join, "notebooks_folder", lambda: notebooks)
    path = changed(shared, tmp_path / "a.zip", {f"records/{NAME}/results.json": other})
    opened = open_shared(path, tmp_path / "theirs")
    with pytest.raises(NotebookError, match="outside the workspace"):
        run_again(opened.records[0], opened.session_of(opened.records[0]))


def test_a_zip_whose_entries_lie_on_each_other_counts_as_what_it_is(tmp_path):
    """Many names for one packed content: each says that it is packed to so much, and the file is far smaller."""
    from tunelab.record.share.unpack import unpack

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a0.csv", b"0123456789abcdef" * 20_000)
        first = archive.infolist()[0]
        for k in range(1, 1_000):
            entry = zipfile.ZipInfo(f"a{k}.csv")
            for field in ("compress_type", "CRC", "compress_size", "file_size", "header_offset", "external_attr"):
                setattr(entry, field, getattr(first, field))
            archive.filelist.append(entry)
            archive.NameToInfo[entry.filename] = entry
    (tmp_path / "a.zip").write_bytes(out.getvalue())
    (tmp_path / "place").mkdir()
    with pytest.raises(OpenError, match="times its packed size"):
        unpack(tmp_path / "a.zip", tmp_path / "place")
    assert not list((tmp_path / "place").iterdir())


def test_a_zip_for_which_the_disk_has_no_room_is_refused_first(shared, tmp_path, monkeypatch):
    import shutil

    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(OpenError, match=r"MB are free on this disk. Make room"):
        open_shared(shared.path, tmp_path / "theirs")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "names", [["\u00e9.csv", "e\u0301.csv"], ["con .csv"], ["COM¹.csv"], ["conout$"], ["ﬁ.csv", "fi.csv"]]
)
def test_names_that_some_disk_takes_for_one_or_for_a_device(tmp_path, names):
    from tunelab.record.share.unpack import unpack

    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        for name in names:
            archive.writestr(name, b"x")
    with pytest.raises(OpenError, match=r"the same name|cannot hold"):
        unpack(tmp_path / "a.zip", tmp_path)
