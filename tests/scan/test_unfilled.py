"""Files of full size that are not filled in: refused, where as much stands twice is not.

Truth: what is overwritten here is known by counting.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.corpus.damage import damage
from tests.corpus.specimen import Specimen, specimen
from tests.scan.writers import Triangles, ply_binary, ply_text, stl_binary, stl_text
from volest.errors import ScanError
from volest.scan.reading import read_scan, scan_from

SAMPLES = Path(__file__).parents[2] / "sample_meshes"
STL, PLY = SAMPLES / "b0417-upper-full-arch.stl", SAMPLES / "b0418-lower-full-arch.ply"
PAGE = 4096  # bytes that disks and networks lose or repeat at once


@pytest.fixture(scope="module")
def sound() -> Triangles:
    return read_scan(STL).triangles.astype(np.float32)


@pytest.fixture(scope="module")
def made(impressions: Path) -> Specimen:
    return specimen(90, impressions)


def refusal(path: Path, data: bytes) -> ScanError:
    path.write_bytes(data)
    with pytest.raises(ScanError) as caught:
        read_scan(path)
    return caught.value


def half_zero(data: bytes) -> bytes:
    return data[: len(data) // 2].ljust(len(data), b"\0")


@pytest.mark.parametrize("share", [0.05, 0.3, 0.5, 0.89])
def test_a_copy_that_goes_on_is_refused(share: float, tmp_path: Path) -> None:
    data = STL.read_bytes()
    filled = 84 + 50 * int(share * (len(data) - 84) / 50)
    fault = refusal(tmp_path / "a.stl", data[:filled].ljust(len(data), b"\0"))
    assert fault.code == "truncated"
    assert "wait until the copy has finished" in fault.remedy
    total = (len(data) - 84) // 50
    assert f"{total - int(share * total):,} of {total:,}" in str(fault)


@pytest.mark.parametrize("share", [0.1, 0.4, 0.6, 0.9])
def test_a_ply_that_is_filled_in_so_far_is_refused(share: float, tmp_path: Path) -> None:
    data = PLY.read_bytes()
    filled = int(share * len(data))
    fault = refusal(tmp_path / "a.ply", data[:filled].ljust(len(data), b"\0"))
    assert fault.code in ("truncated", "no-triangles")


@pytest.mark.parametrize("writer", [stl_text, ply_text])
def test_text_that_ends_in_zero_bytes_is_refused(
    writer: Callable[[Triangles], bytes], sound: Triangles, tmp_path: Path
) -> None:
    name = f"a.{writer.__name__[:3]}"
    assert refusal(tmp_path / name, half_zero(writer(sound[:2000]))).code in (
        "truncated",
        "damaged",
    )


@pytest.mark.parametrize("value", [0.0, 7.25])
@pytest.mark.parametrize("writer", [stl_binary, stl_text, ply_text, lambda t: ply_binary(t, "<")])
def test_corners_that_are_all_the_same_are_refused(
    writer: Callable[[Triangles], bytes], value: float, sound: Triangles, tmp_path: Path
) -> None:
    part = sound[:3000].copy()
    part[1000:1400] = value
    path = tmp_path / "a.any"
    fault = refusal(path, writer(part))
    assert fault.code == "truncated"
    assert "400 of 3,000 triangles" in str(fault)


@pytest.mark.parametrize("bytes_again", [50, 50 * 80, 50 * 1300, PAGE, 16 * PAGE])
def test_a_block_that_stands_there_again_and_again_is_refused(
    bytes_again: int, tmp_path: Path
) -> None:
    data = STL.read_bytes()
    start = 84 + 50 * 6000
    block = data[start - bytes_again : start]
    times = -(-(len(data) - start) // bytes_again)
    fault = refusal(tmp_path / "a.stl", (data[:start] + times * block)[: len(data)])
    if bytes_again % 50:  # out of step with the triangles: corners become any number whatever
        assert fault.code in ("truncated", "not-finite")
        return
    assert fault.code == "truncated"
    assert "three times or more" in str(fault)


@pytest.mark.parametrize(("count", "codes"), [(9, []), (10, ["repeated"]), (150, ["repeated"])])
def test_some_that_stand_there_again_are_noted(
    count: int, codes: list[str], sound: Triangles
) -> None:
    torn = sound.astype(np.float64)
    torn[500 : 500 + count] = torn[500]
    notes = scan_from(torn).notes
    assert [note.code for note in notes] == codes
    assert all(note.values["count"] == count for note in notes)


def test_a_second_half_that_repeats_the_first_is_noted(sound: Triangles) -> None:
    half = sound[: len(sound) // 2].astype(np.float64)
    notes = scan_from(np.concatenate([half, half])).notes
    assert "repeated" in [note.code for note in notes]


@pytest.mark.parametrize("kind", ["faces collapsed", "faces doubled", "second shell"])
@pytest.mark.parametrize("seed", range(5))
def test_what_exports_do_is_not_refused(kind: str, seed: int, made: Specimen) -> None:
    broken = damage(made, np.random.default_rng(seed), kind)
    notes = scan_from(broken.triangles.copy()).notes
    assert not {note.code for note in notes} & {"repeated", "zeroed"}
