"""Damage as files suffer it on their way: cut short, bits turned, pieces lost or said twice."""

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from hypothesis import strategies as st

from terrain.errors import TerrainError

Read = TypeVar("Read")


@st.composite
def cut(draw: st.DrawFn, whole: bytes) -> bytes:
    """The beginning of a file whose copying stopped."""
    return whole[: draw(st.integers(0, len(whole) - 1))]


@st.composite
def flipped(draw: st.DrawFn, whole: bytes) -> bytes:
    """The file with one to four bytes replaced by any others."""
    damaged = bytearray(whole)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(whole) - 1))
        damaged[at] ^= draw(st.integers(1, 255))
    return bytes(damaged)


@st.composite
def spliced(draw: st.DrawFn, whole: bytes) -> bytes:
    """The file with a piece left out, said twice or overwritten by zeros."""
    first = draw(st.integers(0, len(whole) - 1))
    last = draw(st.integers(first + 1, min(len(whole), first + 200)))
    piece = whole[first:last]
    middle = draw(st.sampled_from([b"", piece + piece, b"\x00" * len(piece)]))
    return whole[:first] + middle + whole[last:]


def torn(whole: bytes) -> st.SearchStrategy[bytes]:
    """Any of the damages to a valid file, whatever its format."""
    return st.one_of(cut(whole), flipped(whole), spliced(whole))


def read_or_told(read: Callable[[Path], Read], path: Path, damaged: bytes) -> Read | None:
    """What a reader makes of damaged bytes; None where it ends in a message.

    Any other exception than `TerrainError` passes through and fails the test.
    """
    path.write_bytes(damaged)
    with suppress(TerrainError):
        return read(path)
    return None
