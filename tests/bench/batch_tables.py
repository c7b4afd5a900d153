"""Tables about many scans, from what was measured; and where they stand in the docs."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

MILLION = 1_000_000
_HOUR_S, _DAY_H = 3600.0, 24.0
_MORE = (16, 64, 256)  # workers that were not measured


def scale_lines(found: dict[str, Any]) -> list[str]:
    """Tell efficiency and memory."""
    one, two, spent = found["seconds"][1], found["seconds"][2], found["processor"]
    first = next(row for row in found["memory"] if row[0] >= min(100, found["scans"]))
    last, after = found["memory"][-2], found["memory"][-1]
    lines = [
        (
            f"{found['scans']} small scans of {found['mean_mb']:.1f} MB on average, "
            f"{found['refused']} of them refused, {found['cores']} cores, no sheet. Other programs "
            f"took {found['others'][1]:.0%} of the computer while one worker was measured, and "
            f"{found['others'][2]:.0%} while two were."
        ),
        "",
        "| workers | time, s | scans a second | efficiency | processor time, s | of one worker's |",
        "|---|---|---|---|---|---|",
        f"| 1 | {one:.0f} | {found['scans'] / one:.2f} | 1 | {spent[1]:.0f} | 1 |",
        (
            f"| 2 | {two:.0f} | {found['scans'] / two:.2f} | {one / two / 2:.2f} "
            f"| {spent[2]:.0f} | {spent[2] / spent[1]:.2f} |"
        ),
        "",
        "| memory, MB | main program | largest worker |",
        "|---|---|---|",
        *(
            f"| {what} | {row[1]:.0f} | {row[2]:.0f} |"
            for what, row in (
                (f"after scan {first[0]}", first),
                (f"after scan {last[0]}", last),
                ("after the tables are written", after),
            )
        ),
        "",
        f"Writing results.json and results.csv at the end took {found['writing_s']:.1f} s.",
    ]
    if "far_seconds" in found:
        a, b = found["far_seconds"][1], found["far_seconds"][2]
        lines += [
            "",
            f"| workers of a scheduler, {found['far_scans']} scans | time, s | efficiency |",
            "|---|---|---|",
            f"| 1 | {a:.0f} | 1 |",
            f"| 2 | {b:.0f} | {a / b / 2:.2f} |",
        ]
    return lines


def cost_lines(found: dict[str, Any]) -> list[str]:
    """Reckon what a million such scans would take."""
    scans = found["scans"]
    each = {n: found["seconds"][n] / scans for n in (1, 2)}
    share = each[1] / each[2] / 2.0
    rows = [(n, each[n] * MILLION, "measured rate") for n in (1, 2)]
    rows += [(n, each[1] * MILLION / (n * share), "calculated") for n in _MORE]
    return [
        (
            f"One scan ({found['mean_mb']:.1f} MB on average) took {each[1]:.2f} s with one worker "
            f"and {each[2]:.2f} s with two, over {scans} scans. A million at that rate:"
        ),
        "",
        "| workers | hours | days | worker hours | |",
        "|---|---|---|---|---|",
        *(
            f"| {n} | {h:.1f} | {h / _DAY_H:.2f} | {n * h:.0f} | {how} |"
            for n, h, how in ((n, s / _HOUR_S, how) for n, s, how in rows)
        ),
        "",
        (
            f"The calculated rows take one worker's time and divide it by the workers and by the "
            f"efficiency of two ({share:.2f}); that it stays so for more was not measured. "
            f"Tables and kept scans took {found['kept_kb']:.0f} kB a scan: "
            f"{found['kept_kb'] * MILLION / 1e6:.0f} GB for a million."
        ),
    ]


def write_between(page: Path, name: str, lines: Sequence[str]) -> None:
    """Put lines between the marks of that name."""
    text = page.read_text(encoding="utf-8")
    first, last = f"<!-- {name}: start -->\n", f"<!-- {name}: end -->"
    head, found, rest = text.partition(first)
    _, closed, tail = rest.partition(last)
    assert found, f"no {first!r} in {page}"
    assert closed, f"no {last!r} in {page}"
    body = "\n".join(lines)
    page.write_text(f"{head}{first}{body}\n{last}{tail}", encoding="utf-8")
