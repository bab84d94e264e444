"""How much a file may unpack to: content that would fill the memory is refused before any of it is unpacked."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

from tunelab.log.read.raw import ReadError

MOST_PACKED = 200  # a log packs 5 to 60 times; what unpacks to more than this is no log but would fill the memory
ALWAYS_UNPACKED = 1 << 26


def most_unpacked(packed: int) -> int:
    """Most bytes that a file of so many bytes may unpack to."""
    return max(MOST_PACKED * packed, ALWAYS_UNPACKED)


def require_plausible_size(unpacked: int, packed: int, what: str) -> None:
    """Refuse content by the size that it says it has.

    Raises
    ------
    ReadError
        It says that it unpacks to more than 64 MB and 200 times its size.
    """
    if unpacked > most_unpacked(packed):
        raise ReadError(
            f"the {what} content says that it unpacks to {unpacked / 1e6:.0f} MB, more than {MOST_PACKED} times its "
            "size, as no log does; look at it by hand before it is read."
        )


def require_plausible_hdf5(content: Path | BinaryIO, packed: int) -> None:
    """Refuse a netCDF-4 file by the sizes that its data sets say they have; opening it unpacks its clock already.

    Raises
    ------
    ReadError
        As `require_plausible_size`.
    OSError
        Not an HDF5 file.
    """
    import h5py

    sizes: list[int] = []
    with h5py.File(content, "r") as file:
        file.visititems(lambda _, item: sizes.append(item.nbytes) if isinstance(item, h5py.Dataset) else None)
    require_plausible_size(sum(sizes), packed, "netCDF")
