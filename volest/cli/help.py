"""Help of commands with many options: the daily ones first, all of them under headings."""

from collections.abc import Iterable

import click

HEADINGS = {
    "Base line and scan": ("--base", "--cavity", "--unit", "--pitch", "--inside-out"),
    "Stone and mix": (
        *("--stone", "--stone-for", "--by", "--way", "--wp", "--waste", "--residue", "--stretch"),
        *("--second-pour", "--lab", "--journal"),
    ),
    "Mixes for several impressions": ("--share", "--at-most", "--material", "--age"),
    "What is written": (
        *("--out", "--no-sheet", "--sheet", "--json", "--csv", "--json-lines"),
        *("--picture", "--plot", "--curve", "--dry"),
    ),
    "How it runs": (
        *("--workers", "--memory", "--seconds-each", "--cluster", "--quiet", "--verbose"),
        *("--help", "--help-all"),
    ),
}
_DAILY = frozenset(
    {"--base", "--stone", "--by", "--lab", "--share", "--material", "--age", "--out", "--sheet"}
    | {"--json", "--csv", "--picture", "--curve", "--cavity", "--journal", "--help", "--help-all"}
)
ALL = "help_all"  # among what a command knows of its call: all options are told
_MANY = 14  # fewer are shown all at once


class ManyOptions(click.Command):
    """A command that shows its daily options, and all with ``--help-all``."""

    def get_params(self, ctx: click.Context) -> list[click.Parameter]:
        """Put the way to all options beside that to the daily ones."""
        params = super().get_params(ctx)
        if len(params) < _MANY:
            return params
        return [*params, _HELP_ALL]

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options under their headings, or only the daily ones."""
        options = [param for param in self.get_params(ctx) if isinstance(param, click.Option)]
        if _HELP_ALL in options and not ctx.meta.get(ALL):
            daily = [option for option in options if _DAILY.intersection(option.opts)]
            self._write("Daily options", daily, ctx, formatter)
            return
        for heading, names in HEADINGS.items():
            under = [option for option in options if set(names).intersection(option.opts)]
            self._write(heading, under, ctx, formatter)
        known = {name for names in HEADINGS.values() for name in names}
        others = [option for option in options if not known.intersection(option.opts)]
        self._write("Options", others, ctx, formatter)

    @staticmethod
    def _write(
        heading: str,
        options: Iterable[click.Option],
        ctx: click.Context,
        formatter: click.HelpFormatter,
    ) -> None:
        rows = [row for row in (option.get_help_record(ctx) for option in options) if row]
        if rows:
            with formatter.section(heading):
                formatter.write_dl(rows)


def _tell_all(ctx: click.Context, _param: click.Parameter, is_wanted: bool) -> None:
    if is_wanted:
        ctx.meta[ALL] = True
        click.echo(ctx.get_help(), color=ctx.color)
        ctx.exit()


_HELP_ALL = click.Option(
    ["--help-all"],
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_tell_all,
    help="Show all options and exit.",
)
