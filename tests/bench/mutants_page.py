"""What planted changes came to, as a table and a list for a page.

Results are kept by module: how many changes it has room for, how many were planted, and those
that no test noticed, each with what was judged of it. What begins with 'same' changes nothing that
can be seen; the rest are gaps.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

Z = 1.959963985  # 97.5 % point of the normal distribution
BEGIN, END = "<!-- changes begin -->", "<!-- changes end -->"
SAME = "same"
Kept = Mapping[str, Mapping[str, Any]]


def interval(killed: int, planted: int) -> tuple[float, float]:
    """Wilson's interval of a share, 95 % (E. B. Wilson, JASA 22, 1927; from memory)."""
    share, n = killed / planted, planted
    middle = (share + Z * Z / (2 * n)) / (1 + Z * Z / n)
    half = Z * math.sqrt(share * (1 - share) / n + Z * Z / (4 * n * n)) / (1 + Z * Z / n)
    return middle - half, middle + half


def said(kept: Kept) -> list[str]:
    """Give all lines: the table, the sums of each room, and what went unnoticed."""
    return [*table(kept), "", *sums(kept), "", *unnoticed(kept)]


def counted(kept: Kept) -> Iterator[tuple[str, int, int, int, int]]:
    """Count for each module: changes possible, planted, noticed, and the same to see."""
    for module, counts in sorted(kept.items()):
        lost = counts["survivors"]
        same = sum(one.get("judged", "").startswith(SAME) for one in lost)
        yield module, counts["of"], counts["planted"], counts["planted"] - len(lost), same


def table(kept: Kept) -> Iterator[str]:
    yield "| Module | Changes possible | planted | noticed | same to see | gaps |"
    yield "|---|---|---|---|---|---|"
    for module, possible, planted, noticed, same in counted(kept):
        gaps = planted - noticed - same
        yield f"| `{module}` | {possible} | {planted} | {noticed} | {same} | {gaps} |"


def sums(kept: Kept) -> Iterator[str]:
    """Sum up each room."""
    for room in sorted({module.partition("/")[0] for module in kept}):
        rows = [row for row in counted(kept) if row[0].startswith(f"{room}/")]
        planted, noticed, same = (sum(int(row[at]) for row in rows) for at in (2, 3, 4))
        low, high = interval(noticed, planted)
        yield (f"- `{room}/`: {noticed} of {planted} noticed, {100 * noticed / planted:.1f} % "
               f"(95 % interval {100 * low:.1f} to {100 * high:.1f} %). Of the "
               f"{planted - noticed} others {same} change nothing that can be seen; "
               f"gaps: {planted - noticed - same}.")  # fmt: skip


def unnoticed(kept: Kept) -> Iterator[str]:
    """List what no test noticed, with what was judged of it."""
    if any(counts["survivors"] for counts in kept.values()):
        yield "Not noticed:"
        yield ""
    for module, counts in sorted(kept.items()):
        for one in counts["survivors"]:
            judged = one.get("judged", "not judged yet")
            yield f"- `{module}` {one['line']}, `{one['was']}` to `{one['now']}`: {judged}"


def put_into(page: Path, lines: Sequence[str]) -> None:
    """Put lines between the marks of a page."""
    head, _, rest = page.read_text(encoding="utf-8").partition(BEGIN)
    _, _, tail = rest.partition(END)
    page.write_text("\n".join([head + BEGIN, *lines, END]) + tail, encoding="utf-8")
