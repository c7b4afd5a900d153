"""The command `volest`: finds its commands; each fault becomes one line and an exit code.

Shells ask it for words that the Tab key finishes; click speaks with all but PowerShell.
"""

import difflib
import gc
import importlib
import logging
import os
import re
import sys
from collections.abc import Callable
from functools import partial
from typing import Any

import click
from click import shell_completion as completing

from volest import __version__
from volest.errors import EXIT_FAULT, EXIT_MEASURED, EXIT_USAGE, VolestError, not_ours
from volest.system import begin_program

# Where a shell puts the number of the signal that ended a program (POSIX.1-2017, Shell & Utilities
# 2.8.2: above 128; 128 + number is what the common shells do).
EXIT_INTERRUPTED = 130
EXIT_PIPE_CLOSED = 141
VARIABLE = "_VOLEST_COMPLETE"  # as click makes it of the program's name
SHELLS = ("bash", "zsh", "fish", "powershell")
_LOG = logging.getLogger(__name__)
logging.getLogger("volest").addHandler(logging.NullHandler())  # silent unless --verbose

# Command, module, name in it, and a line for the list: so the list itself loads no command.
_COMMANDS = {
    "size": ("volest.cli.size", "size_command", "Read scans and say how much stone to mix."),
    "watch": ("volest.cli.watch", "watch_command", "Size each scan that arrives in a folder."),
    "desk": ("volest.cli.watch", "desk_command", "Open a day on one page: look, mix, book."),
    "show": ("volest.cli.show", "show_command", "Tell all about one scan, and draw it."),
    "view": ("volest.cli.show", "view_command", "Look at scans and move the base line."),
    "mix": ("volest.cli.mix", "mix_command", "Say the mix for a volume that is known."),
    "log": ("volest.cli.log", "log_command", "Book what was left over; learn the waste."),
    "lab": ("volest.cli.lab", "lab_command", "Show what is in force: habits, stones, figures."),
    "completion": ("volest.cli.main", "completion_command", "Let a shell finish words."),
}
_FIRST_STEPS = """\
volest says how much stone to mix before an impression is poured.

  volest size FOLDER     before the pour: volume, powder, water, scoops of each scan
  volest view SCAN       where a note says so: look at it, move the base line, save it
  volest log --help      after the pour: book what was left, so that the next mix is closer

More with: volest --help, volest size --help
"""
_HELP = """Read scans of dental impressions and say how much stone to mix before the pour.

\b
Examples:
  volest size monday/
  volest size case-1042.stl --stone type-4 --waste 10
  volest size monday/ --json monday.json --csv monday.csv
  volest mix 52.3

Figures go to the output, all talk goes to the error stream. Exit codes: 0 all measured,
1 some refused, 2 wrong use, 3 nothing to do, 4 a fault in volest.
"""


class LateGroup(click.Group):
    """A group that loads a command when it is called, and tells faults in one line."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Name the commands in the order of a day's work."""
        return list(_COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load one command."""
        if cmd_name not in _COMMANDS:
            return None
        module, name, _ = _COMMANDS[cmd_name]
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that is meant; a slip of the pen gets a hint."""
        near = difflib.get_close_matches(args[0], _COMMANDS, n=1)
        if args[0] not in _COMMANDS and near:
            ctx.fail(f"No such command {args[0]!r}. Did you mean {near[0]!r}?")
        return super().resolve_command(ctx, args)

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, _, line) in _COMMANDS.items()])

    def main(self, *words: Any, standalone_mode: bool = True, **more: Any) -> Any:
        """Run a command line and end the program with its exit code."""
        more |= {"prog_name": more.get("prog_name") or "volest", "standalone_mode": False}
        call = partial(super().main, *words, **more)
        if not standalone_mode:
            return call()
        sys.exit(_guarded(call))


def _guarded(call: Callable[[], Any]) -> int:
    try:
        code = call()
        sys.stdout.flush()
    except SystemExit as end:  # 0: words were finished; else whoever read the output has left
        return EXIT_PIPE_CLOSED if end.code else EXIT_MEASURED
    except BrokenPipeError:
        # The same; without this Python would complain once more when it closes the output.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_PIPE_CLOSED
    except (VolestError, click.ClickException, click.Abort, KeyboardInterrupt) as fault:
        line, code = _meant(fault)
    except Exception as fault:  # noqa: BLE001  # the edge of the program: no trace without --verbose
        told = not_ours(fault)
        _LOG.exception("a fault in volest" if told is None else "a fault of the system")
        what = f"{type(fault).__name__}: {fault}; for its trace: volest --verbose ..."
        line = f"fault in volest: {what}" if told is None else str(told)
        code = EXIT_FAULT if told is None else told.exit_code
    else:
        return code if isinstance(code, int) else EXIT_MEASURED
    from volest.cli.console import say  # only when there is something to tell

    say(f"volest: {' '.join(line.split())}")
    return int(code)


def _meant(fault: BaseException) -> tuple[str, int]:
    """Give line and exit code of a fault that a person can mend."""
    if isinstance(fault, VolestError):
        return str(fault), fault.exit_code
    if isinstance(fault, click.UsageError):
        path = fault.ctx.command_path if fault.ctx else "volest"
        said = fault.format_message()
        end = "" if said.endswith((".", "?")) else "."
        hint = ""
        if isinstance(fault, click.NoSuchOption) and fault.option_name == "--verbose":
            hint = " It stands right after volest: volest --verbose ..."
        elif isinstance(fault, click.NoSuchOption) and re.match(r"-+\d", fault.option_name):
            hint = " A number here is 0 or above."
        return f"{said}{end}{hint} See: {path} --help", EXIT_USAGE
    if isinstance(fault, click.ClickException):
        return fault.format_message(), EXIT_USAGE
    return "stopped from the keyboard", EXIT_INTERRUPTED


@click.group(
    cls=LateGroup,
    invoke_without_command=True,
    help=_HELP,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, "-V", "--version", message="volest %(version)s")
@click.option("-v", "--verbose", is_flag=True, help="Tell on the error stream what is done.")
@click.pass_context
def volest_group(ctx: click.Context, *, verbose: bool) -> None:
    """Say the first steps where no command is given."""
    if os.environ.get("NO_COLOR"):
        ctx.color = False
    from volest.cli.console import set_talk  # keeps --help quick

    set_talk(verbose)
    if ctx.invoked_subcommand is None:
        click.echo(_FIRST_STEPS, nl=False)


@completing.add_completion_class
class _PowerShell(completing.ShellComplete):
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
        words = completing.split_arg_string(os.environ["COMP_WORDS"])[1:]
        begun = os.environ.get("COMP_CWORD", "")  # Windows knows no variable that is empty
        return (words[:-1] if begun else words), begun

    def format_completion(self, item: completing.CompletionItem) -> str:
        """Write a word and its help, which may not be empty; files are for the shell to offer."""
        return f"{item.value}\t{item.help or item.value}" if item.type == "plain" else ""


_WORDS = """Print what SHELL (bash, zsh, fish or powershell) reads to finish words with the Tab key.

\b
Examples:
  volest completion bash >> ~/.bashrc
  volest completion zsh >> ~/.zshrc
  volest completion fish > ~/.config/fish/completions/volest.fish
  volest completion powershell >> $PROFILE
"""


@click.command("completion", help=_WORDS)
@click.argument("shell", metavar="SHELL", type=click.Choice(SHELLS))
@click.pass_context
def completion_command(ctx: click.Context, shell: str) -> None:
    """Print the script; the words for a person stand in `_WORDS`."""
    root = ctx.find_root().command
    completing.shell_complete(root, {}, "volest", VARIABLE, f"{shell}_source")


def main() -> None:
    """Run `volest` on the words of the process."""
    begin_program()
    gc.set_threshold(50_000)  # what is read in at the start is no waste to be looked for
    # Its largest matrix product is small; a second thread that waits for work only costs.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    volest_group()
