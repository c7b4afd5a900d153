"""Made jaws against what is named of their row: right, unnamed, or wrong, by kind.

Run: python tests/bench/parted.py [SERIES [JAWS]]; a new series draws new jaws. With all jaws it
writes its table into docs/explanation/guide.md. The truth is where the maker stood each tooth.
"""

import sys
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.marked_part import write_between  # noqa: E402 - path above
from tests.corpus.case import Case, make, solid  # noqa: E402 - path above
from tests.corpus.dentition import Row, Standing  # noqa: E402 - path above
from tests.corpus.prepared import Stump  # noqa: E402 - path above
from tests.corpus.random_cases import draw_jaw  # noqa: E402 - path above
from tests.corpus.recipes import FULL  # noqa: E402 - path above
from volest.cavity.imprints import Imprints, find_imprints  # noqa: E402 - path above
from volest.pipeline import Cavity, find_cavities  # noqa: E402 - path above
from volest.scan.reading import scan_from  # noqa: E402 - path above
from volest.settings import Settings  # noqa: E402 - path above

PAGE = ROOT / "docs" / "explanation" / "guide.md"
SERIES, JAWS = 52_032, 200
KINDS = (
    "crowded",
    "gapped",
    "turned",
    "lone teeth",
    "prepared next to natural",
    "missing teeth",
    "toothless parts",
    "quadrants",
)
WRONG = ("gum", "part of a tooth", "two teeth", "counted wrong")
CORE = 0.8  # of a crown's half width and breadth: what surely is this tooth and no other
MOST, LITTLE = 2 / 3, 1 / 3  # of a core: a piece has the tooth; a piece has of a second one


def drawn(kind: str, seed: tuple[int, ...]) -> Case:
    """Draw a jaw of a kind, by number."""
    rng = np.random.default_rng(seed)
    shape = "quadrant" if kind == "quadrants" else str(rng.choice(["upper", "lower"]))
    row, ridge = draw_jaw(rng, shape)
    if shape != "quadrant":
        row = _of_kind(kind, replace(row, positions=FULL, prepared=()), rng)
    return Case(name=kind, seed=seed[-1], row=row, ridge=ridge, pitch_mm=0.8, noise_mm=0.015)


def _of_kind(kind: str, row: Row, rng: np.random.Generator) -> Row:
    """Make a full row one of a kind."""
    some = rng.permutation(FULL).tolist()
    if kind == "crowded":
        crowding, space_mm = float(rng.uniform(1.3, 2.6)), -float(rng.uniform(0.2, 0.6))
        return replace(row, crowding=crowding, space_mm=space_mm)
    if kind == "gapped":
        return replace(row, space_mm=float(rng.uniform(0.2, 0.7)))
    if kind == "turned":
        return replace(row, crowding=1.0, turn_deg=float(rng.uniform(8.0, 20.0)))
    if kind == "prepared next to natural":
        return replace(row, prepared=tuple(some[: int(rng.integers(2, 6))]))
    if kind == "lone teeth":
        at = rng.permutation(len(FULL)).tolist()
        alone: list[int] = []
        for k in at:
            if all(abs(k - other) > 1 for other in alone):
                alone.append(k)
        gone = set(FULL) - {FULL[k] for k in alone[: int(rng.integers(3, 7))]}
    elif kind == "missing teeth":
        gone = set(some[: int(rng.integers(2, 6))])
    else:
        first, count = int(rng.integers(0, len(FULL) - 2)), int(rng.integers(3, 6))
        gone = set(FULL[first : first + count])
    return replace(row, positions=tuple(place for place in FULL if place not in gone))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """What became of the teeth of a jaw."""

    row: Imprints | None  # the row as it was parted; None where none was found
    pieces: tuple[int, ...]  # the piece that each tooth has its middle in, 0 for none
    teeth: tuple[str, ...]  # of each tooth 'right', 'unnamed' or one of `WRONG`
    named_gum: int = 0  # named pieces that are on no tooth


def judged(case: Case) -> Judged:
    """Make a jaw's impression, part its row, and hold what is named against where teeth stand."""
    standing = solid(case).jaw.teeth
    (cavity,) = find_cavities(scan_from(make(case).mesh.corners, unit="mm"), Settings())
    assert isinstance(cavity, Cavity)
    row = find_imprints(cavity.skin.surface, cavity.rooms, cavity.base, cavity.clock)
    if row is None:
        nothing = len(standing)
        return Judged(row=None, pieces=(0,) * nothing, teeth=("unnamed",) * nothing)
    cores = [_core(tooth, 3.0 - case.row.tips_mm) for tooth in standing]
    held = np.zeros((len(standing), len(row.each) + 1))  # of each core, the share in each piece
    pieces = []
    for tooth, core in enumerate(cores):
        places = cavity.frame.to_frame(core)
        inside = row.piece.ravel()[cavity.rooms.grid.cells_of(places[0], places[1])]
        held[tooth] = np.bincount(inside, minlength=held.shape[1]) / len(inside)
        pieces.append(int(inside[0]))
    of_piece, named_gum = {}, 0
    for piece, one in enumerate(row.each, start=1):
        if one.number is None:
            continue
        tooth = int(np.argmax(held[:, piece]))
        if piece not in pieces and held[tooth, piece] < LITTLE:
            named_gum += 1
        elif held[tooth, piece] < MOST:
            of_piece[piece] = "part of a tooth"
        elif np.count_nonzero(held[:, piece] > LITTLE) > 1:
            of_piece[piece] = "two teeth"
        else:
            of_piece[piece] = "right"
    for piece in _counted_wrong(case.row.positions, row, held, of_piece):
        of_piece[piece] = "counted wrong"
    teeth = []
    for own, shares in zip(pieces, held, strict=True):
        # A named part counts, wherever it is; of wrong and right on one tooth the wrong.
        on = [what for piece, what in of_piece.items() if shares[piece] > LITTLE or piece == own]
        teeth.append(min(on, key=lambda what: what == "right", default="unnamed"))
    return Judged(row=row, pieces=tuple(pieces), teeth=tuple(teeth), named_gum=named_gum)


def _core(tooth: Standing, z_mm: float) -> np.ndarray:
    """Give places, (3, k), in the middle of a crown seen from above, its very middle first."""
    u, v = (part.ravel() for part in np.meshgrid(*[np.linspace(-CORE, CORE, 15)] * 2))
    within = np.hypot(u, v) <= CORE
    u, v = np.append(0.0, u[within]), np.append(0.0, v[within])
    crown, ledges_mm = tooth.crown, 0.0
    if isinstance(crown, Stump):  # it stands inside its ledge
        ledges_mm, crown = 2.0 * crown.ledge_mm, crown.tooth
    # At the height of the crown's middle: crowns lean.
    w = 0.5 * crown.height_mm
    u_mm = 0.5 * (crown.width_mm - ledges_mm) * u + tooth.tip * w
    v_mm = 0.5 * (crown.breadth_mm - ledges_mm) * v * 0.8 + tooth.lean * w
    flat = tooth.centre[:, None] + np.outer(tooth.mesial, u_mm) + np.outer(tooth.outward, v_mm)
    return np.stack([*flat, np.full(len(u), z_mm)])


def _counted_wrong(
    positions: tuple[int, ...], row: Imprints, held: np.ndarray, of_piece: dict[int, str]
) -> list[int]:
    """Find pieces that are one tooth each but bear another number than its place has."""
    sound = [piece for piece, what in of_piece.items() if what == "right"]
    place = {piece: positions[int(np.argmax(held[:, piece]))] for piece in sound}
    order = sorted(positions)
    if row.is_arch:
        rank = {at: sum(0 < k * at <= at * at for k in order) for at in order}
        return [p for p in sound if row.each[p - 1].number != rank[place[p]]]
    ways = [
        [p for p in sound if row.each[p - 1].number != 1 + way.index(place[p])]
        for way in (order, order[::-1])
    ]
    return min(ways, key=len)


def main(series: int = SERIES, jaws: int = JAWS) -> None:
    """Draw the jaws, a kind after the other, say what is wrong of each, and sum up."""
    counts: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    for number in range(jaws):
        kind = KINDS[number % len(KINDS)]
        found = judged(drawn(kind, (series, number)))
        counts[kind].update([*found.teeth, *["gum"] * found.named_gum, "jaws"])
        print(number, kind, *found.teeth, found.named_gum, sep=", ", flush=True)
    text = table(counts)
    print(text)
    if jaws == JAWS:
        write_between(PAGE, "parted", f"\n{text}\n")


def table(counts: dict[str, Counter[str]]) -> str:
    """Write a row a kind, and one for all."""
    rows = {**counts, "all": sum(counts.values(), Counter())}
    lines = ["| jaws | how many | teeth | named right | unnamed | " + " | ".join(WRONG) + " |"]
    lines += ["|---" * (5 + len(WRONG)) + "|"]
    for kind, count in rows.items():
        teeth = sum(count[what] for what in ("right", "unnamed", *WRONG[1:]))
        shown = [count["jaws"], teeth, count["right"], count["unnamed"], *(count[w] for w in WRONG)]
        lines.append(f"| {kind} | {' | '.join(map(str, shown))} |")
    return "\n".join(lines)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
