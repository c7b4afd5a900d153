"""Water to powder: stretched for a longer pour, and flagged outside the stone's range."""

from volest.notes import Note
from volest.stone.stones import StoneType

# Textbooks of dental materials, from memory: more water sets later, flows more easily, and leaves
# a weaker, softer stone that expands a little less. No figure is claimed for any of it.
STRETCH_IN_WORDS = (
    "More water than usual: it flows more easily and can be poured for longer, it sets later, "
    "and the stone comes out weaker and softer at its surface."
)

SPOKEN_DIGITS = 1  # a ratio is spoken to a tenth of a mL per 100 g, and judged as it is spoken
# Nearer than this, in mL per 100 g, two ratios are the same at the bench.
SAME_WP = 0.25


def stretched(
    kind: StoneType, wp_ml_per_100g: float, stretch_ml_per_100g: float
) -> tuple[float, tuple[Note, ...]]:
    """Add water for working time, up to the end of the stone's range; with what is doubtful."""
    asked = wp_ml_per_100g + stretch_ml_per_100g
    most = max(kind.wp_range.high, wp_ml_per_100g)
    if asked <= most:
        return asked, _range_notes(kind, asked)
    held = Note(
        code="stretch-held",
        text=f"The water asked for would make W/P {asked:g} mL per 100 g; it is held at {most:g}, "
        f"the most that {kind.name} takes.",
        do="Mix a fresh batch for what does not get poured in time.",
    )
    return most, (held, *_range_notes(kind, most))


def stiffest(kind: StoneType, wp_ml_per_100g: float) -> float:
    """Say down to which ratio a mix counts as asked: not below the range unless asked for.

    >>> from volest.stone.stones import stone_type
    >>> stiffest(stone_type("4"), 22.0), stiffest(stone_type("4"), 18.7)
    (21.75, 18.7)
    """
    return min(wp_ml_per_100g, max(wp_ml_per_100g - SAME_WP, kind.wp_range.low))


def marks_note(
    kind: StoneType, wp_ml_per_100g: float, rounded: float, *, by: str = "gram"
) -> tuple[Note, ...]:
    """Flag a ratio that only the rounding has pushed out of the range."""
    if wp_ml_per_100g not in kind.wp_range or round(rounded, SPOKEN_DIGITS) in kind.wp_range:
        return ()
    return (
        Note(
            code="wp-by-marks",
            text=f"Marks and {'scoops' if by == 'scoop' else 'scale'} are so coarse that W/P comes "
            f"to {rounded:.1f} mL per 100 g, outside {kind.wp_range} for {kind.name}.",
            do="Use a finer cylinder or a syringe for the water, "
            + ("or weigh the powder (--by gram)." if by == "scoop" else "or mix more."),
        ),
    )


def _range_notes(kind: StoneType, wp_ml_per_100g: float) -> tuple[Note, ...]:
    if wp_ml_per_100g in kind.wp_range:
        return ()
    thin = wp_ml_per_100g > kind.wp_range.high
    what = "weaker and rougher stone" if thin else "a mix too stiff to flow into the pits"
    return (
        Note(
            code="wp-outside",
            text=f"W/P {wp_ml_per_100g:g} mL per 100 g is outside {kind.wp_range} for {kind.name}: "
            f"expect {what}.",
            do="Check the powder maker's sheet; use its ratio.",
        ),
    )
