"""Mutants: sound scans made odd or broken, each kind by a seed.

A kind says what may come of it. HARMLESS: the scan is as good as before and must be measured.
HOPELESS: nothing true can be said and it must be refused. OPEN: a right measurement, a note or a
refusal; only a wrong number without a word is a fault.

The layouts that are bent here: binary STL (80 bytes, count, 50 bytes a triangle; common practice),
ASCII STL ('facet' ... 'endfacet'; common practice), PLY (G. Turk, The PLY Polygon File Format,
1994); numbers by IEEE 754.
"""

import io
import struct
import zipfile
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.hostile.sources import Source, Triangles
from tests.scan.writers import WRITERS, ply_header, stl_binary, stl_text

Rng = np.random.Generator
Change = Callable[[Source, Rng], bytes]
HARMLESS, OPEN, HOPELESS = "harmless", "open", "hopeless"
COUNTS = (-1, -(2**31), 2**31 - 1, 2**32 - 1, 10**12, 10**30)
MEGABYTE = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kind:
    change: Change
    hope: str = OPEN
    encodings: tuple[str, ...] = tuple(WRITERS)
    of_samples: bool = False


def at_random(data: bytes, rng: Rng) -> int:
    return int(rng.integers(len(data)))


def bytes_changed(source: Source, rng: Rng) -> bytes:
    data = bytearray(source.data)
    for _ in range(int(rng.integers(1, 9))):
        data[at_random(source.data, rng)] = int(rng.integers(256))
    return bytes(data)


def head_changed(source: Source, rng: Rng) -> bytes:
    data = bytearray(source.data)
    for _ in range(int(rng.integers(1, 4))):
        data[int(rng.integers(min(len(data), 300)))] = int(rng.integers(256))
    return bytes(data)


def bit_flipped(source: Source, rng: Rng) -> bytes:
    at, bit = at_random(source.data, rng), 1 << int(rng.integers(8))
    return source.data[:at] + bytes([source.data[at] ^ bit]) + source.data[at + 1 :]


def piece_lost(source: Source, rng: Rng) -> bytes:
    at = at_random(source.data, rng)
    return source.data[:at] + source.data[at + int(rng.integers(1, 200)) :]


def piece_doubled(source: Source, rng: Rng) -> bytes:
    at = at_random(source.data, rng)
    return source.data[: at + int(rng.integers(1, 200))] + source.data[at:]


def piece_zeroed(source: Source, rng: Rng) -> bytes:
    at, long = at_random(source.data, rng), int(rng.integers(1, 5000))
    gone = source.data[at : at + long]
    return source.data[:at] + bytes(len(gone)) + source.data[at + long :]


def noise_put_in(source: Source, rng: Rng) -> bytes:
    at = at_random(source.data, rng)
    return source.data[:at] + rng.bytes(int(rng.integers(1, 100))) + source.data[at:]


def only_noise(source: Source, rng: Rng) -> bytes:
    starts = (b"", b"solid ", b"ply\nformat ascii 1.0\n", b"ply\n", source.data[:84])
    return starts[int(rng.integers(len(starts)))] + rng.bytes(int(rng.integers(3000)))


def truncated(source: Source, rng: Rng) -> bytes:
    return source.data[: int(rng.integers(len(source.data) * 49 // 50))]


def count_wrong(source: Source, rng: Rng) -> bytes:
    count = COUNTS[int(rng.integers(len(COUNTS)))]
    if source.encoding == "stl":
        return source.data[:80] + struct.pack("<I", count % 2**32 or 7) + source.data[84:]
    word = (b"vertex ", b"face ")[int(rng.integers(2))]
    before, found, after = source.data.partition(b"element " + word)
    return before + found + b"%d" % count + after[after.index(b"\n") :]


def with_numbers(source: Source, rng: Rng, values: tuple[float, ...]) -> bytes:
    corners = source.triangles.copy()
    for _ in range(int(rng.integers(1, 4))):
        value = values[int(rng.integers(len(values)))]
        corners.reshape(-1)[int(rng.integers(corners.size))] = value
    return WRITERS[source.encoding](corners)


def not_numbers(source: Source, rng: Rng) -> bytes:
    return with_numbers(source, rng, (np.nan, -np.nan))


def infinite(source: Source, rng: Rng) -> bytes:
    return with_numbers(source, rng, (np.inf, -np.inf))


def vast(source: Source, rng: Rng) -> bytes:
    return with_numbers(source, rng, (1e38, -1e38, 3.4e38, 2e6))


def far(source: Source, rng: Rng) -> bytes:
    return with_numbers(source, rng, (9e5, -9e5, 1e4, 300.0, -300.0))


def denormal(source: Source, rng: Rng) -> bytes:
    # Only where a coordinate is 0 already: the smallest float32 is 1.4e-45 (IEEE 754).
    corners = source.triangles.copy()
    tiny = np.where(rng.random(corners.shape) < 0.5, np.float32(1e-45), np.float32(-1e-45))
    return WRITERS[source.encoding](np.where(corners == 0, tiny, corners))


def all_denormal(source: Source, rng: Rng) -> bytes:
    corners = rng.integers(-9, 9, source.triangles.shape) * np.float32(1e-45)
    return WRITERS[source.encoding](corners.astype(np.float32))


def zero_area_added(source: Source, rng: Rng) -> bytes:
    picked = source.triangles[rng.integers(len(source.triangles), size=9)]
    flat = picked[:, [0, 1, 1]] if rng.random() < 0.5 else picked[:, [2, 2, 2]]
    return WRITERS[source.encoding](np.concatenate([flat, source.triangles]))


def zero_area_all(source: Source, rng: Rng) -> bytes:
    return WRITERS[source.encoding](source.triangles[:, rng.permutation([0, 1, 1])])


def all_the_same(source: Source, rng: Rng) -> bytes:
    one = source.triangles[int(rng.integers(len(source.triangles)))]
    return WRITERS[source.encoding](np.tile(one, (len(source.triangles), 1, 1)))


def some_dropped(source: Source, rng: Rng) -> bytes:
    keep = rng.random(len(source.triangles)) > rng.choice([0.001, 0.01, 0.1, 0.5])
    return WRITERS[source.encoding](source.triangles[keep])


def shuffled(source: Source, rng: Rng) -> bytes:
    return WRITERS[source.encoding](rng.permutation(source.triangles))


def index_out(source: Source, rng: Rng) -> bytes:
    order = {"ply little": "<", "ply big": ">"}.get(source.encoding)
    index = int(rng.choice([-1, -(2**31), 3 * len(source.triangles), 2**31 - 1]))
    if order:
        return source.data[:-4] + struct.pack(order + "i", index)
    return source.data[: source.data.rindex(b" ")] + b" %d\n" % index


def polygons(source: Source, rng: Rng) -> bytes:
    """Each face with one to three corners more, which lie on its sides."""
    points: list[Triangles] = []
    rows: list[list[int]] = []
    for triangle in source.triangles:
        mids = (triangle + triangle[[1, 2, 0]]) / np.float32(2)
        several = [triangle[0], mids[0], triangle[1], mids[1], triangle[2], mids[2]]
        corners = several[: int(rng.integers(5, 7))]
        rows.append([len(points) + k for k in range(len(corners))])
        points += corners
    return ply_of(points, rows, source.encoding)


def ply_of(points: list[Triangles], rows: list[list[int]], encoding: str) -> bytes:
    order = {"ply little": "<", "ply big": ">"}.get(encoding)
    if order is None:
        lines = [f"{x} {y} {z}" for x, y, z in points]
        lines += [" ".join(map(str, [len(row), *row])) for row in rows]
        text = "\n".join(lines).encode() + b"\n"
        return ply_header("ascii", len(points), len(rows)) + text
    kind = {"<": "binary_little_endian", ">": "binary_big_endian"}[order]
    body = np.array(points, order + "f4").tobytes()
    body += b"".join(struct.pack(f"{order}B{len(row)}i", len(row), *row) for row in rows)
    return ply_header(kind, len(points), len(rows)) + body


def wrong_endianness(source: Source, rng: Rng) -> bytes:
    del rng
    if source.encoding == "stl":
        count = source.data[83:79:-1]
        return source.data[:80] + count + np.frombuffer(source.data[84:], "u1")[::-1].tobytes()
    little, big = b"binary_little_endian", b"binary_big_endian"
    swap = (little, big) if little in source.data[:60] else (big, little)
    return source.data.replace(*swap, 1)


def crlf(source: Source, rng: Rng) -> bytes:
    return source.data.replace(b"\n", b"\r\n" if rng.random() < 0.7 else b"\r")


def utf8_name(source: Source, rng: Rng) -> bytes:
    name = (
        "Abdruck Größe µ",
        "上顎 印象",
        "facet normal vertex",
        "\u202estl.exe",
        "endsolid solid",
    )
    chosen = name[int(rng.integers(len(name)))]
    if source.encoding == "stl text":
        return stl_text(source.triangles, name=chosen)
    if source.encoding == "stl":
        return stl_binary(source.triangles, chosen.encode()[:80])
    return source.data.replace(b"\nelement", b"\ncomment " + chosen.encode() + b"\nelement", 1)


def comment_of_a_megabyte(source: Source, rng: Rng) -> bytes:
    if source.encoding == "stl text":
        return stl_text(source.triangles, name="n" * MEGABYTE)
    line = b"comment " + b"c" * int(rng.integers(MEGABYTE, 2 * MEGABYTE)) + b"\n"
    return source.data.replace(b"\nelement", b"\n" + line + b"element", 1)


def begins_with_solid(source: Source, rng: Rng) -> bytes:
    headers = (b"solid", b"solid arch\nfacet normal 0 0 1\n", b"SOLID " + b" " * 74, b"solid\0x")
    return stl_binary(source.triangles, headers[int(rng.integers(len(headers)))])


def without_end(source: Source, rng: Rng) -> bytes:
    cut = source.data[: source.data.rindex(b"endsolid")]
    return cut if rng.random() < 0.5 else cut.rstrip()[: -len(b"endfacet")]


def nested_lists(source: Source, rng: Rng) -> bytes:
    """PLY knows no list of lists: such a header, or lists of odd types."""
    words = (
        b"property list list uchar int vertex_indices",
        b"property list uchar list int vertex_indices",
        b"property list float int vertex_indices",
        b"property list uchar int vertex_indices\nproperty list uint double more",
        b"property list uint int vertex_indices",
        b"property list char short vertex_indices",
    )
    old = b"property list uchar int vertex_indices"
    return source.data.replace(old, words[int(rng.integers(len(words)))], 1)


def other_kind(source: Source, rng: Rng) -> bytes:
    kind = int(rng.integers(4))
    if kind == 0:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("scan" + source.suffix, source.data)
        return packed.getvalue()
    heads = (b"%PDF-1.7\n", b"\x1f\x8b\x08", b"\x89PNG\r\n")
    return heads[kind - 1] + source.data


PLYS = ("ply text", "ply little", "ply big")
KINDS: dict[str, Kind] = {
    "bytes changed": Kind(change=bytes_changed, of_samples=True),
    "header bytes changed": Kind(change=head_changed, of_samples=True),
    "bit flipped": Kind(change=bit_flipped, of_samples=True),
    "piece lost": Kind(change=piece_lost, of_samples=True),
    "piece doubled": Kind(change=piece_doubled, of_samples=True),
    "piece zeroed": Kind(change=piece_zeroed, of_samples=True),
    "noise put in": Kind(change=noise_put_in, of_samples=True),
    "only noise": Kind(change=only_noise, hope=HOPELESS),
    "truncated": Kind(change=truncated, hope=HOPELESS, of_samples=True),
    "count wrong": Kind(change=count_wrong, hope=HOPELESS, encodings=("stl", *PLYS)),
    "not a number": Kind(change=not_numbers, hope=HOPELESS),
    "infinite": Kind(change=infinite, hope=HOPELESS),
    "1e38": Kind(change=vast, hope=HOPELESS),
    "far corners": Kind(change=far),
    "denormals": Kind(change=denormal, hope=HARMLESS),
    "all denormals": Kind(change=all_denormal, hope=HOPELESS),
    "zero area, some": Kind(change=zero_area_added, hope=HARMLESS),
    "zero area, all": Kind(change=zero_area_all, hope=HOPELESS),
    "all triangles the same": Kind(change=all_the_same, hope=HOPELESS),
    "triangles dropped": Kind(change=some_dropped),
    "order shuffled": Kind(change=shuffled, hope=HARMLESS),
    "index out of range": Kind(change=index_out, hope=HOPELESS, encodings=PLYS),
    "polygons": Kind(change=polygons, hope=HARMLESS, encodings=PLYS),
    "wrong endianness": Kind(
        change=wrong_endianness, hope=HOPELESS, encodings=("stl", "ply little", "ply big")
    ),
    "CRLF or CR": Kind(change=crlf, hope=HARMLESS, encodings=("stl text", "ply text")),
    "UTF-8 names": Kind(change=utf8_name, hope=HARMLESS),
    "comment of a megabyte": Kind(
        change=comment_of_a_megabyte, hope=HARMLESS, encodings=("stl text", *PLYS)
    ),
    "begins with 'solid'": Kind(change=begins_with_solid, hope=HARMLESS, encodings=("stl",)),
    "without end": Kind(change=without_end, hope=HOPELESS, encodings=("stl text",)),
    "nested lists": Kind(change=nested_lists, encodings=PLYS),
    "other kind renamed": Kind(change=other_kind, hope=HOPELESS),
}
