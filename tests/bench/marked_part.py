"""The part of a page that a measurement writes, between two marks that no reader sees."""

from pathlib import Path


def write_between(page: Path, name: str, text: str) -> None:
    """Put text between the marks of that name; a page without them is left as it is."""
    whole = page.read_text(encoding="utf-8")
    begin, end = f"<!-- {name}: begin -->\n", f"<!-- {name}: end -->"
    before, found, rest = whole.partition(begin)
    _, closed, after = rest.partition(end)
    assert found, f"no {begin!r} in {page}"
    assert closed, f"no {end!r} in {page}"
    page.write_text(f"{before}{begin}{text}\n{end}{after}", encoding="utf-8")
