"""Tables about many scans, from what was measured."""

from typing import Any

MILLION = 1_000_000
_HOUR_S, _DAY_H = 3600.0, 24.0
_MORE = (16, 64, 256)  # workers that were not measured


def scale_lines(found: dict[str, Any]) -> list[str]:
    """Tell efficiency and memory."""
    writing = f"Writing results.json and results.csv at the end took {found['writing_s']:.1f} s."
    far = ["", *_far_lines(found)] if "far_seconds" in found else []
    return [_setting(found), "", *_time_lines(found), "", *_memory_lines(found), "", writing, *far]


def _setting(found: dict[str, Any]) -> str:
    others = found["others"]
    return (
        f"{found['scans']} small scans of {found['mean_mb']:.1f} MB on average, "
        f"{found['refused']} of them refused, {found['cores']} cores, no sheet. Other programs "
        f"took {others[1]:.0%} of the computer while one worker was measured, and "
        f"{others[2]:.0%} while two were."
    )


def _time_lines(found: dict[str, Any]) -> list[str]:
    one, two, spent = found["seconds"][1], found["seconds"][2], found["processor"]
    return [
        "| workers | time, s | scans a second | efficiency | processor time, s | of one worker's |",
        "|---|---|---|---|---|---|",
        f"| 1 | {one:.0f} | {found['scans'] / one:.2f} | 1 | {spent[1]:.0f} | 1 |",
        (
            f"| 2 | {two:.0f} | {found['scans'] / two:.2f} | {one / two / 2:.2f} "
            f"| {spent[2]:.0f} | {spent[2] / spent[1]:.2f} |"
        ),
    ]


def _memory_lines(found: dict[str, Any]) -> list[str]:
    first = next(row for row in found["memory"] if row[0] >= min(100, found["scans"]))
    last, after = found["memory"][-2], found["memory"][-1]
    rows = (
        (f"after scan {first[0]}", first),
        (f"after scan {last[0]}", last),
        ("after the tables are written", after),
    )
    return [
        "| memory, MB | main program | largest worker |",
        "|---|---|---|",
        *(f"| {what} | {row[1]:.0f} | {row[2]:.0f} |" for what, row in rows),
    ]


def _far_lines(found: dict[str, Any]) -> list[str]:
    one, two = found["far_seconds"][1], found["far_seconds"][2]
    return [
        f"| workers of a scheduler, {found['far_scans']} scans | time, s | efficiency |",
        "|---|---|---|",
        f"| 1 | {one:.0f} | 1 |",
        f"| 2 | {two:.0f} | {one / two / 2:.2f} |",
    ]


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
