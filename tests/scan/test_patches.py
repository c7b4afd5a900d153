"""Patches of a scanner's program, told from what was scanned."""

import numpy as np
import numpy.typing as npt
import pytest

from volest.scan.checks import find_patches

Floats = npt.NDArray[np.float64]


def sheet(size: int, gap: tuple[int, int]) -> Floats:
    """Lay a grid of 1 mm squares, two triangles each, without those in a square gap."""
    low, high = gap
    squares = [
        (x, y)
        for x in range(size)
        for y in range(size)
        if not (low <= x < high and low <= y < high)
    ]
    faces = []
    for x, y in squares:
        a, b, c, d = (
            (x + i, y + j, 0.01 * (x + i) ** 2) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))
        )
        faces += [(a, b, c), (a, c, d)]
    return np.array(faces, dtype=np.float64)


def spanned(low: int, high: int) -> Floats:
    """Close the gap by a fan of strips from one side to the other, without a corner amid them."""
    faces = []
    for y in range(low, high):
        a, b = (low, y, 0.01 * low**2), (high, y, 0.01 * high**2)
        c, d = (high, y + 1, 0.01 * high**2), (low, y + 1, 0.01 * low**2)
        faces += [(a, b, c), (a, c, d)]
    return np.array(faces, dtype=np.float64)


def test_strips_over_a_gap_are_a_patch() -> None:
    scanned, patch = sheet(40, (15, 25)), spanned(15, 25)
    found = find_patches(np.concatenate([scanned, patch]))
    assert found[len(scanned) :].all()
    assert not found[: len(scanned)].any()


def test_a_whole_sheet_has_none() -> None:
    assert not find_patches(sheet(40, (0, 0))).any()


def test_a_small_one_is_left() -> None:
    # own: 5 mm2; the gap is 8 mm long and half a mm wide
    scanned, patch = sheet(40, (15, 23)), spanned(15, 23)
    patch[:, :, 1] = 15.0 + (patch[:, :, 1] - 15.0) / 16.0
    assert not find_patches(np.concatenate([scanned, patch])).any()


@pytest.mark.parametrize("segments", [24, 48])
def test_a_tube_is_no_patch(segments: int) -> None:
    # The wall of a drilled hole: long faces, every corner at a border, but two borders.
    turn = np.linspace(0.0, 2.0 * np.pi, segments + 1)[:-1]
    ring = np.stack([np.cos(turn), np.sin(turn), np.zeros(segments)], axis=1)
    over = ring + np.array([0.0, 0.0, 9.0])
    k = np.arange(segments)
    after = (k + 1) % segments
    tube = np.concatenate(
        [
            np.stack([ring[k], ring[after], over[after]], axis=1),
            np.stack([ring[k], over[after], over[k]], axis=1),
        ]
    )
    assert not find_patches(np.concatenate([sheet(40, (0, 0)), tube])).any()
