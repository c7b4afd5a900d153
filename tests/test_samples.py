"""The sample impressions against the mathematics that made them.

Truth: NAME.truth.json beside each sample, integrated from the solid's own field by the maker in
tests/corpus, which shares no code with volest.
"""

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from manifold3d import Manifold, Mesh

from tests.cavity.posing import Move, measured, random_move
from tests.marks import slow
from volest.pipeline import size_scan
from volest.result import MEASURED, NOTED, Result
from volest.scan.reading import read_scan
from volest.settings import Base, Settings

FOLDER = Path(__file__).parents[1] / "sample_meshes"
TRUTHS: list[dict[str, Any]] = [
    json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.truth.json"))
]
WHOLE = [truth for truth in TRUTHS if truth["whole_rim"]]
FAULTY = {"holes": "holes-filled", "open heel": "needs-boxing", "notch": "needs-boxing"}


def _ids(truth: dict[str, Any]) -> str:
    return str(truth["name"])


@cache
def _sized(file: str, base: Base) -> Result:
    return size_scan(FOLDER / file, Settings(base=base))


def _off_plane(result: Result, plane: np.ndarray[Any, Any]) -> tuple[float, float]:
    assert result.base_line is not None
    off_mm = (np.array(result.base_line.point_mm) - plane[:3]) @ plane[3:]
    cosine = np.clip(np.array(result.base_line.normal) @ plane[3:], -1.0, 1.0)
    return float(off_mm), float(np.degrees(np.arccos(cosine)))


def test_all_that_was_promised_is_there() -> None:
    assert len(TRUTHS) >= 8
    assert {truth["kind"] for truth in TRUTHS} == {"open", "closed"}
    assert set(FAULTY) < {truth["defect"] for truth in TRUTHS}


@pytest.mark.parametrize("truth", TRUTHS, ids=_ids)
def test_volume_up_to_the_stated_plane(truth: dict[str, Any]) -> None:
    result = _sized(truth["file"], Base(how="plane", plane=tuple(truth["plane"])))
    within = 3e-3 if truth["defect"] == "holes" else 1e-3
    assert result.volume_ml == pytest.approx(truth["volume_ml"], rel=within)
    assert result.slope_ml_per_mm == pytest.approx(truth["slope_ml_per_mm"], rel=0.01)
    assert result.volume_low_ml is not None
    assert result.volume_high_ml is not None
    assert result.volume_low_ml <= truth["volume_ml"] <= result.volume_high_ml


@pytest.mark.parametrize("truth", WHOLE, ids=_ids)
def test_rim_lies_where_it_was_made(truth: dict[str, Any]) -> None:
    result = _sized(truth["file"], Base())
    plane = np.array(truth["plane"])
    plane[:3] += truth["rim_height_over_base_mm"] * plane[3:]
    off_mm, off_deg = _off_plane(result, plane)
    assert abs(off_mm) < 0.3
    assert off_deg < 1.0


@pytest.mark.parametrize("truth", TRUTHS, ids=_ids)
def test_doubts_are_told_where_there_are_any(truth: dict[str, Any]) -> None:
    result = _sized(truth["file"], Base(how="plane", plane=tuple(truth["plane"])))
    expected = FAULTY.get(truth["defect"])
    assert {note.code for note in result.notes} == ({expected} if expected else set())
    assert result.outcome == (NOTED if expected else MEASURED)


@pytest.mark.parametrize("poses", [10, *slow(100)])
def test_any_pose_gives_one_volume(poses: int) -> None:
    truth = TRUTHS[0]
    triangles = read_scan(FOLDER / truth["file"]).triangles
    plane = np.array(truth["plane"])
    volumes = [
        _moved_volume_ml(triangles, plane, random_move(seed, reach_mm=1000.0))
        for seed in range(poses)
    ]
    assert max(volumes) - min(volumes) < 1e-3 * truth["volume_ml"]


def _moved_volume_ml(
    triangles: np.ndarray[Any, Any], plane: np.ndarray[Any, Any], move: Move
) -> float:
    moved = (*move.points(plane[:3]), *(move.turn @ plane[3:]))
    volume_ml = measured(triangles, move, base=Base(how="plane", plane=moved)).volume_ml
    assert volume_ml is not None
    return volume_ml


@pytest.mark.parametrize(
    "truth", [truth for truth in TRUTHS if truth["kind"] == "closed"], ids=_ids
)
def test_an_independent_boolean_agrees(truth: dict[str, Any]) -> None:
    """Take the material out of a box that ends at the base line: the cavity is one of the rests."""
    triangles = read_scan(FOLDER / truth["file"]).triangles
    point, normal = np.array(truth["plane"][:3]), np.array(truth["plane"][3:])
    corners, index = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    solid = Manifold(Mesh(corners.astype(np.float32), index.reshape(-1, 3).astype(np.uint32)))
    below = solid.trim_by_plane(tuple(-normal), float(-normal @ point))
    result = size_scan(
        FOLDER / truth["file"], Settings(base=Base(how="plane", plane=tuple(truth["plane"])))
    )
    assert result.volume_ml is not None
    lid = _lid(below, normal, point)
    # From the lid the whole material is taken: two cuts in one plane would meet, or leave a slit
    # that joins the cavity with the outside, by the last bit of the plane.
    inside = [part.volume() for part in (lid - solid).decompose()]
    closest = min(inside, key=lambda mm3: abs(mm3 / 1000.0 - truth["volume_ml"]))
    assert result.volume_ml == pytest.approx(closest / 1000.0, rel=1e-3)


def _lid(below: Manifold, normal: np.ndarray[Any, Any], point: np.ndarray[Any, Any]) -> Manifold:
    """Put a box round the material and cut it off at the base line."""
    box = below.bounding_box()
    low, high = np.array(box[:3]) - 1.0, np.array(box[3:]) + 1.0
    block = Manifold.cube(tuple(high - low)).translate(tuple(low))
    return block.trim_by_plane(tuple(-normal), float(-normal @ point))
