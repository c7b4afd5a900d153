"""Folders behind addresses: read and written through fsspec, here its store in memory."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import fsspec
import pytest

from tests.batch.small import QUICK, bowl_stl, fill, sized
from volest.batch.find import Found, Place, Remote, find, place_of
from volest.errors import NothingError, UsageError
from volest.run import Request, Run, run
from volest.scan.decision import SUFFIX


@pytest.fixture
def store() -> Iterator[fsspec.AbstractFileSystem]:
    fs = fsspec.filesystem("memory")
    yield fs
    fs.rm("/", recursive=True)


def put(store: fsspec.AbstractFileSystem, name: str, data: bytes) -> None:
    store.makedirs("/" + name.rpartition("/")[0], exist_ok=True)
    store.pipe_file("/" + name, data)


def size_into(out: Place, places: Sequence[Place]) -> Run:
    return run(Request(settings=QUICK, found=Found(scans=places), out=out, here=True))


def test_scans_behind_an_address_are_found(store: fsspec.AbstractFileSystem) -> None:
    for name in ("day/b10.stl", "day/deep/c.PLY", "day/B9.stl", "day/.x.stl", "day/n.txt"):
        put(store, name, b"x")
    found = [str(place) for place in find([place_of("memory://day")]).scans]
    assert found == ["memory:///day/B9.stl", "memory:///day/b10.stl", "memory:///day/deep/c.PLY"]


def test_nothing_and_nonsense_are_told(store: fsspec.AbstractFileSystem) -> None:
    store.makedirs("/empty", exist_ok=True)
    with pytest.raises(NothingError, match="memory://empty"):
        find([place_of("memory://empty")])
    with pytest.raises(UsageError, match="nosuch"):
        find([place_of("nosuch://day")])


@pytest.mark.parametrize("address", ["dir://day", "reference://day", "generic://day/b.stl"])
def test_an_address_that_means_nothing_to_its_store(address: str) -> None:
    with pytest.raises(UsageError, match=r"cannot be reached"):
        find([place_of(address)])
    (row,) = sized([place_of(address)], here=True)
    assert (row.outcome, row.code) == ("refused", "network")
    assert "tell us" not in str(row.reason)
    with pytest.raises(UsageError, match=address.partition(":")[0]):
        size_into(place_of(address), [])


def test_results_are_those_of_files(store: fsspec.AbstractFileSystem, tmp_path: Path) -> None:
    files = fill(tmp_path, 3)
    for file in files:
        put(store, f"day/{file.name}", file.read_bytes())
    here = [{**one.to_dict(), "scan": 0, "seconds": 0} for one in sized(files, here=True)]
    out = Remote(url="memory://out")
    places = find([place_of("memory://day"), place_of("memory://day/missing.stl")]).scans
    rows = size_into(out, places).results
    assert rows is not None
    far = [{**one.to_dict(), "scan": 0, "seconds": 0} for one in rows]
    assert far[:3] == here
    assert "no such file" in str(rows[3].reason)
    assert store.cat_file("/out/results.csv").startswith(b"scan,outcome")
    put(store, "day/bowl-1.stl", bowl_stl(7))
    assert size_into(out, places).reused == 2  # the changed one and the missing one are sized again
    put(store, "day/bowl-2.stl" + SUFFIX, b"not a decision")
    assert size_into(out, places).reused == 2


def test_a_sheet_needs_a_folder_of_this_computer() -> None:
    with pytest.raises(UsageError, match="--no-sheet"):
        Request(settings=QUICK, found=Found(), out=Remote(url="memory://out"), out_sheet=True)
