"""Zips from somebody else: every trick is refused, and nothing of it is left behind."""

import hashlib
import json
import stat
import zipfile

import pytest

from tunelab.record.share.unpack import Bounds, OpenError, unpack

CRATE = "ro-crate-metadata.json"


def described(files):
    graph = [{"@id": n, "@type": "File", "sha256": hashlib.sha256(c).hexdigest()} for n, c in files.items()]
    return json.dumps({"@graph": graph}).encode()


def write_zip(path, files, **extra):
    """A zip with a right crate; `extra` holds more entries as ZipInfo → content."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in {CRATE: described(files), **files}.items():
            archive.writestr(name, content)
        for entry, content in extra.get("more", ()):
            archive.writestr(entry, content)
    return path


def entry(name, mode=0o100644):
    info = zipfile.ZipInfo("x")
    info.filename = info.orig_filename = name
    info.external_attr = mode << 16
    return info


@pytest.fixture
def place(tmp_path):
    folder = tmp_path / "inside" / "deep"
    folder.mkdir(parents=True)
    return folder


def test_a_right_zip_comes_out_whole(tmp_path, place):
    unpack(write_zip(tmp_path / "a.zip", {"records/r/index.html": b"<p>", "car.toml": b"x = 1"}), place)
    assert (place / "records" / "r" / "index.html").read_bytes() == b"<p>"
    assert len([p for p in place.rglob("*") if p.is_file()]) == 3


@pytest.mark.parametrize(
    "name",
    ["../evil.toml", "a/../../evil.toml", "/etc/evil.toml", "C:/evil.toml", "..\\evil.toml", "a\\b.toml", "~/evil.toml",
     "a//evil.toml", "./evil.toml", "con.toml", "a/NUL.csv", "evil.toml.", "a/.hidden.toml", "ev\x01il.toml",
     "evil:stream.toml", "x" * 250 + ".toml", ".ssh/a.toml"],
)  # fmt: skip
def test_a_name_that_leads_elsewhere_is_refused(tmp_path, place, name):
    path = write_zip(tmp_path / "a.zip", {}, more=[(entry(name), b"x = 1")])
    with pytest.raises(OpenError, match="was not opened"):
        unpack(path, place)
    assert not any(p.is_file() for p in tmp_path.rglob("evil*"))


@pytest.mark.parametrize(
    "mode", [stat.S_IFLNK | 0o777, stat.S_IFIFO | 0o644, stat.S_IFCHR | 0o644, stat.S_IFSOCK | 0o644]
)
def test_links_and_devices_are_refused(tmp_path, place, mode):
    path = write_zip(tmp_path / "a.zip", {}, more=[(entry("link.toml", mode), b"/etc/passwd")])
    with pytest.raises(OpenError, match="a link or a device"):
        unpack(path, place)


@pytest.mark.parametrize("name", ["run.py", "a.so", "x.sh", "a.js", "a.exe", "noending", "a.pkl", "a.svg"])
def test_kinds_of_file_that_no_record_has_are_refused(tmp_path, place, name):
    with pytest.raises(OpenError, match="no record holds"):
        unpack(write_zip(tmp_path / "a.zip", {name: b"x"}), place)


def test_a_bomb_is_refused_before_it_goes_off(tmp_path, place):
    path = write_zip(tmp_path / "a.zip", {"zeros.csv": bytes(40_000_000)})
    with pytest.raises(OpenError, match="times its packed size"):
        unpack(path, place)
    assert not (place / "zeros.csv").exists()


def test_too_many_too_large_and_twice_the_same_are_refused(tmp_path, place):
    files = {f"{k}.csv": b"x" for k in range(10)}
    with pytest.raises(OpenError, match="11 files"):
        unpack(write_zip(tmp_path / "a.zip", files), place, Bounds(files=5))
    with pytest.raises(OpenError, match="MB unpacked"):
        unpack(write_zip(tmp_path / "b.zip", {"a.csv": b"0123456789" * 1000}), place, Bounds(total_bytes=5000))
    with pytest.raises(OpenError, match="the same name"):
        unpack(write_zip(tmp_path / "c.zip", {"a.csv": b"x"}, more=[(entry("A.CSV"), b"y")]), place)


def test_a_size_that_lies_is_found_while_writing(tmp_path, place):
    path = write_zip(tmp_path / "a.zip", {"a.csv": b"0123456789" * 500})
    data = path.read_bytes().replace((5000).to_bytes(4, "little"), (7).to_bytes(4, "little"))
    path.write_bytes(data)
    with pytest.raises(OpenError):
        unpack(path, place)


def test_content_that_is_not_as_described_is_refused(tmp_path, place):
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(CRATE, described({"a.toml": b"x = 1", "gone.toml": b"y"}))
        archive.writestr("a.toml", b"x = 2")
        archive.writestr("more.toml", b"z = 3")
    with pytest.raises(OpenError) as caught:
        unpack(path, place)
    text = str(caught.value)
    assert "'a.toml': its content is not what" in text
    assert "'more.toml': not described" in text
    assert "'gone.toml': described" in text


@pytest.mark.parametrize(
    "crate", [b"{}", b"not json", b'{"@graph": [{"@type": "File", "@id": "a.toml"}]}', b"[" * 99999]
)
def test_a_zip_without_hashes_is_refused(tmp_path, place, crate):
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(CRATE, crate)
        archive.writestr("a.toml", b"x = 1")
    with pytest.raises(OpenError, match="a hash for every file"):
        unpack(path, place)


def test_what_is_no_zip_or_half_of_one_is_refused(tmp_path, place):
    (tmp_path / "a.zip").write_bytes(b"no zip at all")
    whole = write_zip(tmp_path / "b.zip", {"a.csv": bytes(range(256)) * 100}).read_bytes()
    (tmp_path / "b.zip").write_bytes(whole[: len(whole) // 2])
    for name in ("a.zip", "b.zip"):
        with pytest.raises(OpenError, match="no whole zip"):
            unpack(tmp_path / name, place)


def test_a_damaged_file_is_refused(tmp_path, place):
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(CRATE, described({"a.csv": b"good content"}))
        archive.writestr("a.csv", b"good content")
    path.write_bytes(path.read_bytes().replace(b"good content", b"evil content"))
    with pytest.raises(OpenError):
        unpack(path, place)
