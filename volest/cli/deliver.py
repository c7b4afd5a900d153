"""A text for a program: into a file, whole or not at all, or onto the output."""

from collections.abc import Iterable
from pathlib import Path

import click

from volest.cli.talk import say

STREAM = "-"


def deliver(text: str, target: str, *, read: Iterable[Path] = ()) -> None:
    """Write a text where it was asked for."""
    if target == STREAM:
        click.echo(text.encode(), nl=False)
        return
    from volest.sheet.target import check_target, write_whole  # keeps --help quick

    check_target(Path(target), read)
    write_whole(Path(target), text)
    say(f"wrote {target}")
