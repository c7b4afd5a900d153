"""Sound scans of known volume, from which mutants are made.

Truth: small trays whose cavity is stated by another library from a closed form (see
tests/cavity/trays.py); the samples, stated by the mathematics that made them; and scans as trays
and scanners leave them, by an exact boolean of their closed solids (tests/corpus/real_cases.py).
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.cavity.trays import Tray, trays
from tests.corpus.real_cases import Real, real_case
from tests.scan.writers import SUFFIX, WRITERS
from volest.settings import Base

SAMPLES = Path(__file__).parents[2] / "sample_meshes"
SMALL = 0.5  # trays at half size: as many triangles, a quarter of the columns
UNDER_TOP_MM = -1.0
# Kinds and numbers of `tests.corpus.real_cases`; of each kind those with few triangles
REAL = {
    "ragged": (2, 3, 6),
    "unequal": (3, 7, 8),
    "sight": (1, 2, 3),
    "patched": (1, 2, 3),
    "side by side": (1, 6),
    "two quadrants": (1, 6),
    "two-sided": (3, 4),
}
Triangles = NDArray[np.float32]  # (n, 3, 3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source:
    """A sound scan; ``triangles`` is empty where only the bytes of a sample are worked on."""

    of: str
    name: str
    encoding: str
    suffix: str
    data: bytes
    triangles: Triangles
    base: Base
    volume_ml: float

    @property
    def is_made(self) -> bool:
        return len(self.triangles) > 0


def tray_source(tray: Tray, encoding: str, *, is_open: bool, by_plane: bool) -> Source:
    triangles = (tray.triangles(is_open=is_open) * SMALL).astype(np.float32)
    plane = Base(how="plane", plane=(0.0, 0.0, UNDER_TOP_MM, 0.0, 0.0, 1.0))
    return Source(
        of="small tray",
        name=f"{tray.name}, {'open' if is_open else 'closed'}, {encoding}",
        encoding=encoding,
        suffix=SUFFIX[encoding],
        data=WRITERS[encoding](triangles),
        triangles=triangles,
        base=plane if by_plane else Base(offset_mm=UNDER_TOP_MM),
        volume_ml=tray.facets_ml(UNDER_TOP_MM / SMALL) * SMALL**3,
    )


@cache
def tray_sources() -> Sequence[Source]:
    """Give each tray in each encoding; open or closed, and up to rim or plane, take turns."""
    shapes = [
        tray
        for tray in trays()
        if tray.name not in {"tetrahedron", "gutter", "paraboloid", "half-ellipsoid"}
    ]
    return [
        tray_source(tray, encoding, is_open=at % 2 == 0, by_plane=(at // 2 + turn) % 2 == 0)
        for turn, tray in enumerate(shapes)
        for at, encoding in enumerate(WRITERS)
    ]


def sample_source(truth: dict[str, Any]) -> Source:
    path = SAMPLES / truth["file"]
    return Source(
        of="sample",
        name=truth["name"],
        encoding="sample",
        suffix=path.suffix,
        data=path.read_bytes(),
        triangles=np.empty((0, 3, 3), np.float32),
        base=Base(how="plane", plane=tuple(truth["plane"])),
        volume_ml=truth["volume_ml"],
    )


@cache
def sample_sources() -> Sequence[Source]:
    texts = (path.read_text(encoding="utf-8") for path in sorted(SAMPLES.glob("*.truth.json")))
    return [sample_source(json.loads(text)) for text in texts]


@cache
def made(kind: str, seed: int) -> Real:
    return real_case(seed, kind)


@cache
def real_source(kind: str, seed: int, encoding: str) -> Source:
    """Give a scan of the real kinds up to the stated plane of its first cavity."""
    real = made(kind, seed)
    triangles = real.scan.astype(np.float32)
    return Source(
        of=kind,
        name=f"{kind} {seed}, {encoding}",
        encoding=encoding,
        suffix=SUFFIX[encoding],
        data=WRITERS[encoding](triangles),
        triangles=triangles,
        base=Base(how="plane", plane=tuple(real.plane.tolist())),
        volume_ml=real.sides[0].volume_ml,
    )
