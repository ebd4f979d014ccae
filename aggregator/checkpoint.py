"""The engine's state as bytes, and the file it is kept in. Encoding and decoding are pure; ``write`` and ``read`` touch
the disk.

Layout, little-endian::

    8   magic "RIPIENO\\0"
    2   version of this layout, u16
    8   length of what follows the checksum, u64
    4   checksum of it, u32 (CRC-32 as zlib's: it finds any single burst of up to 32 bits, and misses one in four
        thousand million of all other damages; four to five times the speed of a cryptographic digest, and who can
        write the file could write that as well)
    4   length of the header, u32
    ..  header, UTF-8 JSON: "meta" (any JSON) and "arrays": [name, dtype, shape] in order
    ..  the arrays' bytes, C order, one after another

Every damage is a :class:`CheckpointError` with a sentence that a technician understands; nothing else is raised.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import os
import platform
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

MAGIC = b"RIPIENO\0"
VERSION = 3
_HEAD = struct.Struct("<8sHQI")
_SIZE = struct.Struct("<I")
MAX_BYTES = 4 << 30  # 100,000 listeners at 16 kB are 1.6 GB; more is no checkpoint of ours


Piece = bytes | memoryview
Part = NDArray[Any] | list[Piece]


class CheckpointError(ValueError):
    """A checkpoint that cannot be used; the message says what was found and what to do."""


@dataclass(frozen=True, slots=True)
class Image:
    """A checkpoint opened: ``meta`` and ``arrays`` by name (read-only views)."""

    meta: dict[str, Any]
    arrays: dict[str, NDArray[Any]]


def versions() -> dict[str, str]:
    """What equal bits depend on (contract 1): Python, numpy, the machine and the vector units numpy uses."""
    try:
        found = importlib.import_module("numpy._core._multiarray_umath").__cpu_features__
    except (ImportError, AttributeError):  # a numpy that keeps it elsewhere: then the machine's name has to do
        found = {}
    units = " ".join(sorted(name for name, on in found.items() if on))
    return {
        "python": platform.python_version(),
        "numpy": np.__version__,
        "cpu": f"{platform.machine()} {hashlib.blake2b(units.encode(), digest_size=4).hexdigest()}",
    }


def encode(meta: Mapping[str, Any], arrays: Mapping[str, Part]) -> bytes:
    """The checkpoint's bytes. ``meta`` must be JSON with string keys."""
    return b"".join(pieces(meta, arrays))


def pieces(meta: Mapping[str, Any], arrays: Mapping[str, Part]) -> list[Piece]:
    """The checkpoint's bytes in pieces that share the arrays' memory. A part may itself be pieces (a checkpoint within
    one); it is opened as an array of bytes."""
    directory, body = [], []
    for name, part in arrays.items():
        if isinstance(part, list):
            directory.append([name, "|u1", [sum(map(len, part))]])
            body += part
        else:
            directory.append([name, part.dtype.str, list(part.shape)])
            body.append(np.ascontiguousarray(part).reshape(-1).view(np.uint8).data)
    header = orjson.dumps({"meta": dict(meta), "arrays": directory})
    body = [_SIZE.pack(len(header)), header, *body]
    found = 0
    for piece in body:
        found = zlib.crc32(piece, found)
    return [_HEAD.pack(MAGIC, VERSION, sum(map(len, body)), found), *body]


def decode(raw: bytes) -> Image:
    """Open a checkpoint. Raises CheckpointError."""
    if len(raw) < _HEAD.size or raw[:8] != MAGIC:
        raise CheckpointError("this is not a checkpoint of ripieno; start with --fresh to leave it aside")
    _, version, length, expected = _HEAD.unpack_from(raw)
    if version != VERSION:
        raise CheckpointError(
            f"checkpoint of layout version {version}, this program reads version {VERSION}: use the version of "
            "ripieno that wrote it, or start with --fresh"
        )
    body = memoryview(raw)[_HEAD.size :]
    if len(body) != length or length > MAX_BYTES:
        raise CheckpointError(f"checkpoint is cut: {len(body)} of {length} bytes; start with --fresh")
    if zlib.crc32(body) != expected:
        raise CheckpointError("checkpoint is damaged (its checksum differs); start with --fresh")
    return _open(body)


def _open(body: memoryview) -> Image:
    try:
        (size,) = _SIZE.unpack_from(body)
        header = orjson.loads(bytes(body[_SIZE.size : _SIZE.size + size]))
        place, arrays = _SIZE.size + size, {}
        for name, kind, shape in header["arrays"]:
            dtype = np.dtype(kind)
            count = int(np.prod(shape, dtype=np.int64))
            arrays[name] = np.frombuffer(body, dtype, count, place).reshape(shape)
            place += count * dtype.itemsize
        return Image(header["meta"], arrays)
    except (KeyError, TypeError, ValueError, struct.error) as error:
        raise CheckpointError(f"checkpoint's contents are unreadable ({error}); start with --fresh") from error


def write(path: Path, image: Sequence[Piece]) -> None:
    """Put a checkpoint's pieces in place whole or not at all: written beside, synced, renamed. Raises OSError."""
    beside = path.with_name(path.name + ".new")
    fd = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        with open(fd, "wb") as file:
            file.writelines(image)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except OSError:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise
    with contextlib.suppress(OSError):  # a file system that cannot sync a directory
        _sync(path.parent)


def beside(path: Path) -> list[Path]:
    """The other checkpoints in the folder of one, written whole or only begun (``.new``); portions' files too."""
    found = [*path.parent.glob("*.checkpoint*"), *path.parent.glob("*.portion*")]
    return sorted(other for other in found if other != path)


def seen_at(path: Path) -> float:
    """When the file was last written, by its file system's clock in seconds; 0 where there is none."""
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def remove(path: Path) -> None:
    """Delete a file that may be gone already. Raises OSError."""
    path.unlink(missing_ok=True)


def _sync(directory: Path) -> None:
    fd = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def read(path: Path) -> bytes:
    """The file's bytes. Raises CheckpointError (unreadable), FileNotFoundError."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise
    except OSError as error:
        raise CheckpointError(f"checkpoint {path} cannot be read ({error.strerror})") from error
