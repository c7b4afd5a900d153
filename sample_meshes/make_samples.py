"""Make the sample impressions and their truths again, byte for byte.

python sample_meshes/make_samples.py [--only NAME] [--list] [--table]
"""

import argparse
import json
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from tests.corpus.case import make, truth  # noqa: E402 - the path is set above
from tests.corpus.files import write  # noqa: E402 - the path is set above
from tests.corpus.recipes import SAMPLES, Sample  # noqa: E402 - the path is set above

FINE_MM, COARSE_MM = 0.15, 0.2
HOW = (
    "The implicit solid itself was integrated, free of noise and triangles: columns on a turned "
    f"grid of {FINE_MM} mm, the solid's borders found in each column by root finding, air joined "
    f"from the opening down; on a grid of {COARSE_MM} mm the result differs by "
)
BROKEN_RIMS = ("notch", "open heel")


def sample(one: Sample) -> None:
    """Make one sample's mesh and the truth beside it."""
    case = one.case
    made = make(case)
    file = f"{case.name}.{one.file_kind.split('-', maxsplit=1)[0]}"
    write(made.mesh, HERE / file, one.file_kind, f"sample {case.name}")
    fine, coarse = truth(case, FINE_MM), truth(case, COARSE_MM)
    differs = 100.0 * abs(coarse.volume_ml / fine.volume_ml - 1.0)
    record: dict[str, object] = {
        "name": case.name,
        "file": file,
        "kind": "open" if case.shell is None else "closed",
        "jaw": one.jaw,
        "about": one.about,
        "defect": one.defect,
        "volume_ml": round(fine.volume_ml, 5),
        "slope_ml_per_mm": round(fine.slope_ml_per_mm, 5),
        "plane": [round(float(part), 9) for part in made.plane],
        "rim_height_over_base_mm": -case.level_mm,
        "whole_rim": one.defect not in BROKEN_RIMS,
    }
    if case.holes:
        record["holes_mm2"] = round(made.holes_mm2, 3)
    record["triangles"] = len(made.mesh.faces)
    record["how"] = f"{HOW}{differs:.4f} %."
    _put(HERE / f"{case.name}.truth.json", json.dumps(record, indent=1) + "\n")
    size_mb = (HERE / file).stat().st_size / 1e6
    print(f"{file}: {len(made.mesh.faces)} triangles, {size_mb:.2f} MB, {fine.volume_ml:.3f} mL")


def _put(path: Path, text: str) -> None:
    """Write text under another name and move it into place."""
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)


def table() -> str:
    """Give the table of samples as in the README, from the truths on disk."""
    lines = [
        "| file | what it is | scan | defect | true volume, mL | slope, mL per mm | triangles |",
        "|---|---|---|---|---|---|---|",
    ]
    for one in SAMPLES:
        path = HERE / f"{one.case.name}.truth.json"
        fact = json.loads(path.read_text(encoding="utf-8"))
        lines.append(
            f"| {fact['file']} | {fact['about']} | {fact['kind']} | {fact['defect'] or '-'} "
            f"| {fact['volume_ml']:.3f} | {fact['slope_ml_per_mm']:.3f} | {fact['triangles']} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Read the command line and make the samples asked for."""
    parser = argparse.ArgumentParser(description="Make the sample impressions again.")
    parser.add_argument("--only", metavar="NAME", help="make only samples whose name holds NAME")
    parser.add_argument("--list", action="store_true", help="name the samples and stop")
    parser.add_argument("--table", action="store_true", help="print the README's table and stop")
    chosen = parser.parse_args()
    if chosen.table:
        print(table())
        return
    for one in SAMPLES:
        if chosen.list:
            print(one.case.name)
        elif chosen.only is None or chosen.only in one.case.name:
            sample(one)


if __name__ == "__main__":
    main()
