"""Scans under two names: found by what they hold, told once."""

from pathlib import Path

from volest.batch.find import Place, Remote, Twins, same_scans


def put(folder: Path, **held: bytes) -> list[Path]:
    for name, content in held.items():
        (folder / f"{name}.stl").write_bytes(content)
    return [folder / f"{name}.stl" for name in held]


def test_what_holds_the_same_is_one_group(tmp_path: Path) -> None:
    scans = put(tmp_path, a=b"one", b=b"two", c=b"one", d=b"three", e=b"one", f=b"two", g=b"")
    a, b, c, _, e, f, g = scans
    more: list[Place] = [*scans, *put(tmp_path, h=b""), tmp_path / "gone.stl", Remote(url="m://x")]
    assert same_scans(more) == [[a, c, e], [b, f]]
    assert g.stat().st_size == 0  # two empty files are no scan, and refused as such


def test_nothing_alike_nothing_told(tmp_path: Path) -> None:
    assert same_scans(put(tmp_path, a=b"one", b=b"two", c=b"three")) == []


def test_a_new_name_is_told_once_also_of_a_file_that_went(tmp_path: Path) -> None:
    twins, (a,) = Twins(), put(tmp_path, a=b"one")
    assert twins.take(a) == []
    b = a.rename(tmp_path / "b.stl")
    assert twins.take(b) == [a, b]
    assert twins.take(b) == []


def test_a_scan_that_changes_leaves_its_twin(tmp_path: Path) -> None:
    twins, (a, b) = Twins(), put(tmp_path, a=b"one", b=b"one")
    assert [twins.take(a), twins.take(b)] == [[], [a, b]]
    put(tmp_path, b=b"another")
    assert twins.take(b) == []
    put(tmp_path, a=b"another")
    assert twins.take(a) == [a, b]
