"""`volest show` and `volest show --curve` on a tray whose figures are known."""

import csv
import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result

from tests.cavity.trays import trays
from tests.docs.fenced import ROOT
from tests.scan import writers
from volest.cli.main import volest_group
from volest.errors import MixError
from volest.report.record import schema
from volest.scan.decision import write_preparations

BOWL = {tray.name: tray for tray in trays()}["hemisphere"]


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    path = tmp_path / "bowl.stl"
    path.write_bytes(writers.stl_binary(BOWL.triangles(is_open=False)))
    return path


def call(*words: str) -> Result:
    return CliRunner().invoke(volest_group, list(words))


def test_an_untrimmed_rim_keeps_the_base_off_by_its_excess(scan: Path) -> None:
    # Common practice, no source: an untrimmed impression leaves the base standing off 3-4 mm.
    run = call("show", str(scan), "--base", "rim=-3.5")
    assert run.exit_code == 0, run.output
    assert "a flat base would stand 3.5 mm above the base line" in " ".join(run.stdout.split())
    assert "of rim all round, by up to 3.5 mm" in " ".join(run.stdout.split())
    assert "cut away from the hand" in " ".join(run.stdout.split())


def test_a_rim_at_the_base_line_is_left(scan: Path) -> None:
    run = call("show", str(scan))
    assert "Nothing to cut or to box" in " ".join(run.stdout.split())


def test_a_rim_under_the_base_line_is_boxed(scan: Path) -> None:
    heap = call("show", str(scan), "--base", "rim=2").stdout
    assert "Box in" not in heap
    assert "needs-boxing" not in heap
    run = call("show", str(scan), "--base", "rim=4.5")
    assert "of rim all round, up to 4.5 mm high: to the base line" in " ".join(run.stdout.split())
    sized = call("size", str(scan), "--base", "rim=4.5")
    for told in (run.stdout, sized.stdout):  # where and how high is told once, the note in full
        assert "needs-boxing" in told
        assert "Measured as if boxed in where the rim lies" in " ".join(told.split())
        assert told.count("all round") == 1
    assert max(len(line) for line in run.stdout.splitlines()) <= 80


def test_the_curve_is_that_of_the_ball(scan: Path) -> None:
    run = call("show", str(scan), "--base", "rim=-1", "--curve", "-")
    assert run.exit_code == 0, run.output
    lines = list(csv.DictReader(io.StringIO(run.stdout)))
    assert list(lines[0]) == ["height_mm", "volume_ml"]
    for line in lines:
        height = float(line["height_mm"])
        if height <= 0.0:  # the facets' own volume by manifold3d
            truth = BOWL.facets_ml(height - 1.0)
            assert float(line["volume_ml"]) == pytest.approx(truth, abs=0.02)


def test_what_only_a_scan_can_tell_is_told_and_written() -> None:
    quadrant = ROOT / "sample_meshes" / "b0422-lower-left-quadrant.stl"
    told = " ".join(call("show", str(quadrant)).stdout.split())
    assert "has wetted the last imprint after 0.2 mL from 12 o'clock and 0.3 mL from 6" in told
    assert "Under roofs" not in told  # no air stays at any tilt
    record = json.loads(call("show", str(quadrant), "--json", "-").stdout)
    jsonschema.Draft202012Validator(schema()).validate(record)
    (one,) = record["scans"]
    assert len(one["guide"]["imprints"]) == 5  # its maker gave it as many teeth
    assert one["guide"]["flow"]["worst_air"] is None
    assert len(one["thickness"]["behind"]) == 5


def test_marked_preparations_are_told_and_written_and_without_marks_nothing(
    tmp_path: Path,
) -> None:
    sample = ROOT / "sample_meshes" / "b0458-lower-right-quadrant-prepared.ply"
    scan = tmp_path / sample.name
    shutil.copyfile(sample, scan)
    before = call("show", str(scan)).stdout
    assert "margin to" not in before
    # Within both stumps, by the maker's recipe, and off the impression.
    write_preparations(scan, [(9.01, 26.35, 7.94), (-7.08, 27.97, 9.57), (0.0, 0.0, 500.0)])
    told = call("show", str(scan))
    assert told.exit_code == 0, told.output
    assert "1 at 12 o'clock  14." in told.stdout  # in the order of the marks
    assert "2 at 7 o'clock " in told.stdout
    assert "mark-in-no-imprint" in told.stdout
    assert max(len(line) for line in told.stdout.splitlines()) <= 80
    written = json.loads(call("show", str(scan), "--json", "-").stdout)
    jsonschema.Draft202012Validator(schema()).validate(written)
    found = written["scans"][0]["guide"]["preparations"]
    assert [one["hour"] for one in found["each"]] == [12, 7]
    write_preparations(scan, [])
    assert call("show", str(scan)).stdout == before


def test_size_reads_nothing_of_it(scan: Path, tmp_path: Path) -> None:
    code = (
        "import sys; from volest.cli.main import volest_group as go\n"
        f"go(['size', {str(scan)!r}, '--json', {str(tmp_path / 'out.json')!r}], "
        "standalone_mode=False)\n"
        "late = {'flow', 'imprints', 'preparations', 'thickness', 'separation'}\n"
        "assert not {f'volest.cavity.{name}' for name in late} & {*sys.modules}"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
    (one,) = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))["scans"]
    assert not {"guide", "thickness", "separation"} & {*one}


@pytest.mark.parametrize("suffix", ["svg", "png", "pdf"])
def test_the_curve_is_drawn(scan: Path, suffix: str, tmp_path: Path) -> None:
    target = tmp_path / f"curve.{suffix}"
    run = call("show", str(scan), "--plot", str(target))
    assert run.exit_code == 0, run.output
    assert target.stat().st_size > 2000


@pytest.mark.parametrize("name", ["curve.txt", "curve.stl", "curve"])
def test_a_drawing_of_no_known_kind_is_refused(scan: Path, name: str, tmp_path: Path) -> None:
    run = call("show", str(scan), "--plot", str(tmp_path / name))
    assert run.exit_code == 2
    assert run.stdout == ""  # said before the work
    assert not (tmp_path / name).exists()


def test_a_mix_that_no_bowl_takes_hides_nothing_else(
    scan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_bowl(*_: object) -> None:
        raise MixError("100 mL", needed="a bowl", remedy="buy one", code="no-bowl")

    head, _, rest = call("show", str(scan)).stdout.partition("\n\n")
    assert head.startswith("bowl.stl: stone type-4;")
    assert rest.startswith("Mix: water ")
    monkeypatch.setattr("volest.dosing.poured", no_bowl)
    run = call("show", str(scan))
    assert run.exit_code == 0
    assert run.stdout.partition("\n\n")[2].startswith("Seen into the opening")


@pytest.mark.parametrize(("jaw", "right"), [("upper", "1 to 5"), ("lower", "7 to 11")])
def test_the_patients_sides_are_told_where_the_jaw_is_known(
    scan: Path, jaw: str, right: str
) -> None:
    # Seen into the opening an upper impression is seen from above, and right is right; a lower one
    # from below (the impression as it lay in the mouth).
    lab = scan.with_name("lab.toml")
    lab.write_text(f"[jaw]\n{jaw} = ['bowl*']\n", encoding="utf-8")
    told = " ".join(call("show", str(scan), "--lab", str(lab)).stdout.split())
    sides = {"1 to 5": "1 to 5 are the patient's right", "7 to 11": "7 to 11 the right"}
    assert sides[right] in told
    assert "patient" not in call("show", str(scan), "--lab", os.devnull).stdout


def test_a_quadrant_has_one_side_of_the_patient(tmp_path: Path) -> None:
    lab, quadrant = tmp_path / "lab.toml", "b0458-lower-right-quadrant-prepared.ply"
    lab.write_text("[jaw]\nlower = ['*']\n", encoding="utf-8")
    told = call("show", str(ROOT / "sample_meshes" / quadrant), "--lab", str(lab)).stdout
    assert "12 o'clock is the narrower end of the row, mostly its front." in " ".join(told.split())
    assert "patient" not in told
