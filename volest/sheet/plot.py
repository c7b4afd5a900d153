"""The volume-height curve as a drawing; matplotlib is imported only here."""

import io
from pathlib import Path

from volest.errors import UsageError
from volest.result import Result
from volest.sheet.names import visible
from volest.sheet.target import write_whole

KINDS = (".svg", ".png", ".pdf")
_STONE, _LINE = "#7a5c2e", "#10262b"


def draw_curve(result: Result, target: Path) -> None:
    """Draw the volume over the base line's height, with the interval, to one of `KINDS`."""
    try:
        from matplotlib.figure import Figure
    except ImportError as fault:
        raise UsageError(
            "no matplotlib",
            needed="it for plots",
            remedy="in the folder of volest: .venv/bin/pip install '.[picture]'",
        ) from fault
    figure = Figure(figsize=(6.4, 4.0), layout="constrained")
    axes = figure.subplots()
    heights, volumes = zip(*result.curve, strict=True)
    axes.plot(heights, volumes, color=_STONE, linewidth=2.0)
    axes.axvline(0.0, color=_LINE, linewidth=1.0, linestyle="--", label="base line")
    if result.volume_low_ml is not None and result.volume_high_ml is not None:
        axes.axhspan(
            result.volume_low_ml, result.volume_high_ml, color=_STONE, alpha=0.2, label="interval"
        )
    axes.set_xlabel("height over the base line, mm")
    axes.set_ylabel("volume, mL")
    axes.set_title(visible(Path(result.name).name).replace("$", r"\$"), loc="left")
    axes.grid(visible=True, linewidth=0.3)
    axes.legend()
    stream = io.BytesIO()
    figure.savefig(stream, format=target.suffix.lower().removeprefix("."), dpi=150)
    write_whole(target, stream.getvalue())
