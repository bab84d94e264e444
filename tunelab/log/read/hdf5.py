"""What an HDF5 file may hold before any of its values is read: its own numbers and texts, and not too many of them.

The format can do more than a log needs. A variable can keep its values in any file of the computer that reads it
(external storage, external links, virtual data), can want a filter that is loaded as a program (plugins), and can
hold memory addresses (opaque types that are tagged as objects of Python). All of that is refused here, before the
library below gets to it. By the HDF5 file format specification 3.0, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from tunelab.log.read.packed import most_unpacked, require_plausible_size
from tunelab.log.read.raw import ReadError

HDF5 = b"\x89HDF\r\n\x1a\n"  # a file begins with it
_FILTERS = frozenset({1, 2, 3, 4, 5, 6, 32000})  # deflate, shuffle, fletcher32, szip, nbit, scale-offset, lzf
_OBJECTS = 20_000
_TEXTS = 200  # in one attribute
_WAY_OUT = "write the log out again as plain netCDF or CSV"


def require_safe_hdf5(content: Path | BinaryIO, packed: int) -> None:
    """Refuse a netCDF-4 file that reaches beyond itself, or that says that it unpacks to more than a log does.

    Parameters
    ----------
    content : path or binary file
        The file.
    packed : int
        Its size. [bytes]

    Raises
    ------
    ReadError
        Values outside the file, links, a filter or a type that no log needs, one piece of data under two names; sizes
        as `require_plausible_size`.
    OSError
        Not an HDF5 file.
    """
    import h5py

    with h5py.File(content, "r") as file:
        held = list(_held(file))
        for name, item in held:
            _refuse_types(name, item)
            if isinstance(item, h5py.Dataset):
                _refuse_outside(name, item)
        sets = [item for _, item in held if isinstance(item, h5py.Dataset)]
        require_plausible_size(sum(map(_size, sets)), packed, "netCDF")
        require_plausible_size(max(map(_chunk_size, sets), default=0), packed, "netCDF")
        _refuse_long_texts(held, packed)


def _held(file: Any) -> Iterator[tuple[str, Any]]:
    """Every group, data set and type of a file with its name, the root first; each must have one name only."""
    import h5py

    seen, waiting = {_address(file["/"])}, [("/", file["/"])]
    while waiting:
        where, group = waiting.pop()
        yield where, group
        for name in group:
            path = f"{where.rstrip('/')}/{name}"
            if group.get(name, getclass=True, getlink=True) is not h5py.HardLink:
                raise ReadError(f"{path[1:]!r} is a link to something else, which is not followed; {_WAY_OUT}.")
            item = group[name]
            if _address(item) in seen:
                raise ReadError(f"{path[1:]!r} is the same data as another name; {_WAY_OUT}.")
            seen.add(_address(item))
            if len(seen) > _OBJECTS:
                raise ReadError(f"the file holds more than {_OBJECTS} variables and groups, as no log does.")
            if isinstance(item, h5py.Group):
                waiting.append((path, item))
            else:
                yield path, item


def _address(item: Any) -> int:
    from h5py import h5o

    return h5o.get_info(item.id).addr


def _refuse_outside(name: str, item: Any) -> None:
    from h5py import h5d

    how = item.id.get_create_plist()
    if how.get_layout() not in (h5d.COMPACT, h5d.CONTIGUOUS, h5d.CHUNKED):
        raise ReadError(
            f"the variable {name[1:]!r} takes its values from elsewhere, which is not followed; {_WAY_OUT}."
        )
    if how.get_layout() == h5d.CONTIGUOUS and how.get_external_count():
        raise ReadError(f"the variable {name[1:]!r} keeps its values in another file, which is not read; {_WAY_OUT}.")
    wanted = {how.get_filter(i)[0] for i in range(how.get_nfilters())} - _FILTERS
    if wanted:
        raise ReadError(
            f"the variable {name[1:]!r} is packed by a filter that would be loaded as a program of its own (number "
            f"{min(wanted)}), which is not done; write it out again packed by deflate."
        )


def _refuse_types(name: str, item: Any) -> None:
    kinds = [item.id.get_type()] if hasattr(item.id, "get_type") else []
    for kind in (*kinds, *(attribute.get_type() for attribute in _attributes(item))):
        if not _is_plain(kind):
            what = f"{name[1:]!r}" if len(name) > 1 else "the file itself"
            raise ReadError(f"{what} holds, or is described by, a type of data that no log needs; {_WAY_OUT}.")


def _attributes(item: Any) -> Iterator[Any]:
    from h5py import h5a

    for index in range(h5a.get_num_attrs(item.id)) if hasattr(item, "attrs") else ():
        yield h5a.open(item.id, index=index)


def _is_plain(kind: Any) -> bool:
    """Whether a type is of numbers and texts, and of references inside the file, all through."""
    from h5py import h5t

    of = kind.get_class()
    if of in (h5t.INTEGER, h5t.FLOAT, h5t.STRING, h5t.ENUM):
        return True
    if of == h5t.REFERENCE:
        return bool(kind.equal(h5t.STD_REF_OBJ))
    if of in (h5t.VLEN, h5t.ARRAY):
        return _is_plain(kind.get_super())
    return of == h5t.COMPOUND and all(_is_plain(kind.get_member_type(i)) for i in range(kind.get_nmembers()))


def _size(item: Any) -> int:
    return math.prod(item.shape or ()) * item.id.get_type().get_size()


def _chunk_size(item: Any) -> int:
    """Bytes of one chunk, which is unpacked whole even for one value of it."""
    return math.prod(item.chunks or (0,)) * item.id.get_type().get_size()


def _refuse_long_texts(held: list[tuple[str, Any]], packed: int) -> None:
    """Count texts of free length, which the sizes do not tell: many may point at one and the same long text."""
    import h5py

    left = most_unpacked(packed)
    for name, item in held:
        for attribute in _attributes(item):
            if _is_of_free_length(attribute.get_type()):
                many = math.prod(attribute.shape) > _TEXTS
                left = -1 if many else left - _length(item.attrs[attribute.name])
            _refuse_beyond(left, name)
        if isinstance(item, h5py.Dataset) and item.shape and _is_of_free_length(item.id.get_type()):
            for piece in _pieces(item, packed, name):
                left -= sum(map(_length, piece.flat))
                _refuse_beyond(left, name)


def _refuse_beyond(left: int, name: str) -> None:
    if left < 0:
        raise ReadError(f"{name[1:] or 'the file'!r} unpacks to far more text than the file is long, as no log does.")


def _pieces(item: Any, packed: int, name: str) -> Iterator[Any]:
    """A data set of free-length values, in pieces that cannot be longer than a log may be."""
    if len(item.shape) > 1:
        _refuse_beyond(most_unpacked(packed) - math.prod(item.shape) * packed, name)
        yield item[...]
        return
    at, step = 0, 1
    while at < item.shape[0]:
        piece = item[at : at + step]
        yield piece
        at += step
        mean = max(sum(map(_length, piece.flat)) / len(piece), 1)
        step = max(1, min(2 * step, int((1 << 24) / mean), most_unpacked(packed) // packed if mean > 1000 else 1 << 20))


def _is_of_free_length(kind: Any) -> bool:
    from h5py import h5t

    of = kind.get_class()
    if of == h5t.STRING:
        return bool(kind.is_variable_str())
    if of == h5t.COMPOUND:
        return any(_is_of_free_length(kind.get_member_type(i)) for i in range(kind.get_nmembers()))
    return of == h5t.VLEN or (of == h5t.ARRAY and _is_of_free_length(kind.get_super()))


def _length(value: Any) -> int:
    """Bytes of a value that was read, about."""
    if isinstance(value, str | bytes):
        return len(value)
    if getattr(value, "dtype", None) is not None and value.dtype.kind == "O":
        return sum(map(_length, value.flat)) if value.shape else _length(value.item())
    return int(getattr(value, "nbytes", 8))
