"""netCDF-4 that reaches beyond itself, or is far larger than it looks, is refused before a value of it is read."""

import h5py
import numpy as np
import pytest
import xarray as xr

from tunelab.log.read import ReadError, read_raw
from tunelab.log.store import StoreError, read_log

TIME = np.arange(500) / 25
SECRET = "the owner's own words, of no log"


@pytest.fixture
def path(tmp_path):
    """A right log; each test puts something into it."""
    log = xr.Dataset({"RPM": ("time", 1000 + TIME)}, {"time": ("time", TIME, {"units": "s"})})
    log.to_netcdf(tmp_path / "log.nc", engine="h5netcdf")
    (tmp_path / "secret.txt").write_text(SECRET)
    return tmp_path / "log.nc"


def external(file, folder):
    where = str(folder / "secret.txt")
    file.create_dataset("x", (len(SECRET),), "u1", external=[(where, 0, len(SECRET))])


def external_link(file, folder):
    with h5py.File(folder / "other.nc", "w") as other:
        other["secret"] = np.arange(500.0)
    file["x"] = h5py.ExternalLink(str(folder / "other.nc"), "/secret")


def external_link_in_a_group(file, folder):
    file.create_group("a/b")["x"] = h5py.ExternalLink(str(folder / "other.nc"), "/secret")


def soft_link(file, folder):
    file["x"] = h5py.SoftLink("/RPM")


def loop_of_links(file, folder):
    file.create_group("a")["back"] = h5py.SoftLink("/a")


def virtual(file, folder):
    with h5py.File(folder / "other.nc", "w") as other:
        other["secret"] = np.arange(500.0)
    layout = h5py.VirtualLayout((500,), "f8")
    layout[:] = h5py.VirtualSource(str(folder / "other.nc"), "secret", (500,))
    file.create_virtual_dataset("x", layout)


def two_names(file, folder):
    file["x"] = file["RPM"]


def plugin(file, folder):
    how = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    how.set_chunk((500,))
    how.set_filter(32015, h5py.h5z.FLAG_OPTIONAL, (3,))
    h5py.h5d.create(file.id, b"x", h5py.h5t.IEEE_F64LE, h5py.h5s.create_simple((500,)), dcpl=how)


def addresses(file, folder):
    """Bytes that the reader would take for addresses of objects in its memory."""
    kind = h5py.h5t.create(h5py.h5t.OPAQUE, 8)
    kind.set_tag(b"NUMPY:O")
    h5py.h5d.create(file.id, b"x", kind, h5py.h5s.create_simple((500,)))


def addresses_in_an_attribute(file, folder):
    kind = h5py.h5t.create(h5py.h5t.OPAQUE, 8)
    kind.set_tag(b"NUMPY:O")
    h5py.h5a.create(file["RPM"].id, b"units", kind, h5py.h5s.create_simple((1,)))


def declared_huge(file, folder):
    file.create_dataset("x", (10**10,), "f8", chunks=(10**6,))


def packed_huge(file, folder):
    file.create_dataset("x", data=np.zeros(20_000_000), chunks=(10**6,), compression="gzip", compression_opts=1)


def one_huge_chunk(file, folder):
    file.create_dataset("x", (500,), "f8", maxshape=(None,), chunks=(10**8,), compression="gzip")


def one_text_in_an_attribute(file, folder):
    file["RPM"].attrs["units"] = ["a" * 20_000] * 201


CASES = [
    (external, "'x' keeps its values in another file"), (external_link, "'x' is a link"),
    (external_link_in_a_group, "'a/b/x' is a link"), (soft_link, "'x' is a link"),
    (loop_of_links, "'a/back' is a link"),
    (virtual, "'x' takes its values from elsewhere"), (two_names, "the same data as another name"),
    (plugin, "'x' is packed by a filter .*32015"), (addresses, "'x' holds, or is described by, a type"),
    (addresses_in_an_attribute, "'RPM' holds, or is described by, a type"), (declared_huge, "unpacks to 80000 MB"),
    (packed_huge, "unpacks to 160 MB"), (one_huge_chunk, "unpacks to 800 MB"),
    (one_text_in_an_attribute, "'RPM' unpacks to far more text"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "said"), CASES, ids=lambda value: getattr(value, "__name__", ""))
def test_it_is_refused_in_words_as_a_raw_log_and_as_a_record(path, change, said):
    with h5py.File(path, "a") as file:
        change(file, path.parent)
    with pytest.raises(ReadError, match=rf"^log\.nc: .*{said}"):
        read_raw(path)
    with pytest.raises(StoreError, match=rf"log\.nc: .*{said}"):
        read_log(path)


def test_many_places_that_point_at_one_long_text_are_refused(path):
    with h5py.File(path, "a") as file:
        file.create_dataset("x", (3_000,), h5py.string_dtype())[:] = ["a" * 50_000] + ["b"] * 2_999
        at = file["x"].id.get_offset()
    content = bytearray(path.read_bytes())
    content[at : at + 16 * 3_000] = content[at : at + 16] * 3_000  # HDF5 format: length, address and number in the heap
    path.write_bytes(content)
    assert path.stat().st_size < 200_000
    with pytest.raises(ReadError, match="'x' unpacks to far more text"):
        read_raw(path)


def test_a_log_with_texts_states_and_all_plain_filters_is_read(tmp_path):
    netcdf = pytest.importorskip("netCDF4")
    words = np.array(["open", "closed", ""] * 200, dtype=object)
    values = xr.Dataset(
        {"RPM": ("t", np.arange(600.0)), "State": ("t", words), "Ok": ("t", np.arange(600) % 2 == 0)},
        {"t": ("t", np.arange(600) / 10, {"units": "s", "long_name": "clock"})},
        {"history": "made " + "x" * 100_000},
    )
    packed = {"RPM": {"zlib": True, "shuffle": True, "fletcher32": True}}
    for engine in ("h5netcdf", "netcdf4"):
        values.to_netcdf(tmp_path / "log.nc", engine=engine, encoding=packed, unlimited_dims=["t"])
        raw = read_raw(tmp_path / "log.nc")
        assert raw.frame["RPM"].to_list() == list(range(600))
        assert raw.frame["State"].to_list()[:3] == ["open", "closed", None]
    with netcdf.Dataset(tmp_path / "log.nc", "a") as file:  # states as the format's own kind, and a scale
        kind = file.createEnumType(np.uint8, "mode", {"OL": 0, "CL": 1})
        file.createVariable("Mode", kind, ("t",))[:] = np.arange(600) % 2
    assert "Mode" in read_raw(tmp_path / "log.nc").frame.columns
