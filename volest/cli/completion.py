"""Words that a shell finishes with the Tab key; click speaks with all but PowerShell."""

import os

import click
from click.shell_completion import (
    CompletionItem,
    ShellComplete,
    add_completion_class,
    get_completion_class,
    split_arg_string,
)

from volest.cli.main import VARIABLE

SHELLS = ("bash", "zsh", "fish", "powershell")


@add_completion_class
class _PowerShell(ShellComplete):
    """Speaks with PowerShell; where nothing is offered, that offers files by itself."""

    name = "powershell"
    # about_Functions_Argument_Completion and Register-ArgumentCompleter, -Native; from memory
    source_template = """\
Register-ArgumentCompleter -Native -CommandName %(prog_name)s -ScriptBlock {
    param($word, $line, $cursor)
    $env:%(complete_var)s = 'powershell_complete'
    $env:COMP_WORDS = $line.ToString()
    $env:COMP_CWORD = $word
    %(prog_name)s | Where-Object { $_ } | ForEach-Object {
        $offer, $help = $_ -split "`t", 2
        [System.Management.Automation.CompletionResult]::new(
            $offer, $offer, 'ParameterValue', $help)
    }
    Remove-Item Env:%(complete_var)s, Env:COMP_WORDS, Env:COMP_CWORD -ErrorAction Ignore
}
"""

    def get_completion_args(self) -> tuple[list[str], str]:
        """Give the words before the one that is begun, and that one."""
        words = split_arg_string(os.environ["COMP_WORDS"])[1:]
        begun = os.environ.get("COMP_CWORD", "")  # Windows knows no variable that is empty
        return (words[:-1] if begun else words), begun

    def format_completion(self, item: CompletionItem) -> str:
        """Write a word and its help, which PowerShell refuses to be empty."""
        return f"{item.value}\t{item.help or item.value}"

    def complete(self) -> str:
        """Leave files to the shell: click names their kind only."""
        args, begun = self.get_completion_args()
        items = self.get_completions(args, begun)
        return "\n".join(self.format_completion(one) for one in items if one.type == "plain")


_HELP = """Print what SHELL (bash, zsh, fish or powershell) reads to finish words with the Tab key.

\b
Examples:
  volest completion bash >> ~/.bashrc
  volest completion zsh >> ~/.zshrc
  volest completion fish > ~/.config/fish/completions/volest.fish
  volest completion powershell >> $PROFILE
"""


@click.command("completion", help=_HELP)
@click.argument("shell", metavar="SHELL", type=click.Choice(SHELLS))
@click.pass_context
def completion_command(ctx: click.Context, shell: str) -> None:
    """Print the script; the words for a person stand in `_HELP`."""
    kind = get_completion_class(shell)
    assert kind is not None  # noqa: S101  # click knows these
    root = ctx.find_root()
    click.echo(kind(root.command, {}, "volest", VARIABLE).source())
