"""The command `completion`: what a shell needs to finish words of `volest` by itself."""

import click
from click.shell_completion import get_completion_class

SHELLS = ("bash", "zsh", "fish")
VARIABLE = "_VOLEST_COMPLETE"  # as click makes it of the program's name
_HELP = """Print what SHELL (bash, zsh or fish) reads to finish words with the Tab key.

\b
Examples:
  volest completion bash >> ~/.bashrc
  volest completion zsh >> ~/.zshrc
  volest completion fish > ~/.config/fish/completions/volest.fish
"""


@click.command("completion", help=_HELP)
@click.argument("shell", metavar="SHELL", type=click.Choice(SHELLS))
@click.pass_context
def completion_command(ctx: click.Context, shell: str) -> None:
    """Print the script; the words for a person stand in `_HELP`."""
    kind = get_completion_class(shell)
    assert kind is not None  # noqa: S101  # click knows these three
    root = ctx.find_root()
    click.echo(kind(root.command, {}, "volest", VARIABLE).source())
