"""The page of commands, written from what every ``--help`` says.

A test compares: ``python docs/reference/make_commands.py > docs/reference/commands.md``.
"""

import click

from volest.cli.main import volest_group
from volest.cli.options import ALL

_WIDTH = 80
_HEAD = """\
# Commands

This page is what `--help` says, command by command. It is not written by hand:
`python docs/reference/make_commands.py > docs/reference/commands.md` writes it, and a test fails
when it is out of date.
"""


def commands_page() -> str:
    """Write the page of commands."""
    settings = volest_group.context_settings
    top = click.Context(volest_group, info_name="volest", terminal_width=_WIDTH, **settings)
    sections = [_section(volest_group, top)]
    for name in volest_group.list_commands(top):
        command = volest_group.get_command(top, name)
        if command is not None:
            ctx = click.Context(command, info_name=name, parent=top, terminal_width=_WIDTH)
            ctx.meta[ALL] = True
            sections.append(_section(command, ctx))
    return "\n".join([_HEAD, *sections])


def _section(command: click.Command, ctx: click.Context) -> str:
    lines = "\n".join(line.rstrip() for line in command.get_help(ctx).splitlines())
    return f"## {ctx.command_path}\n\n```text\n{lines}\n```\n"


if __name__ == "__main__":
    click.echo(commands_page(), nl=False)
