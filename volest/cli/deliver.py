"""A text for a program: into a file, whole or not at all, or onto the output."""

from pathlib import Path

import click

STREAM = "-"


def deliver(text: str, target: str) -> None:
    """Write a text where it was asked for.

    Parameters
    ----------
    text : str
        What a program will read.
    target : str
        Path of a file, or '-' for the output.

    Raises
    ------
    UsageError
        If the file cannot be written, or is a scan.
    """
    if target == STREAM:
        click.echo(text.encode(), nl=False)
        return
    from volest.sheet.target import check_target, write_whole  # keeps --help quick

    check_target(Path(target))
    write_whole(Path(target), text)
