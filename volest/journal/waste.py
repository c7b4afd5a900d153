"""Which waste holds for a run: as it was said, else as the journal teaches it, else the lab's."""

from dataclasses import replace
from pathlib import Path

from volest.lab import Lab
from volest.learned import Learned
from volest.settings import Settings


def with_waste(
    settings: Settings,
    *,
    waste_percent: float | None,
    residue_ml: float | None,
    journal_file: Path | None,
) -> Settings:
    """Put the waste into settings that know their lab; where any was said, nothing is learned."""
    usual = settings.lab.way.of(settings.way)
    said = waste_percent is not None or residue_ml is not None
    return replace(
        settings,
        waste_percent=usual.share_percent if waste_percent is None else waste_percent,
        residue_ml=usual.residue_ml if residue_ml is None else residue_ml,
        learned=() if said or journal_file is None else _taught(journal_file, settings.lab),
    )


def _taught(journal_file: Path, lab: Lab) -> tuple[Learned, ...]:
    from volest.journal.journal import Journal
    from volest.stone.learning import learn_all

    with Journal(journal_file, new=False) as journal:
        return learn_all(journal.pours(), lab)
