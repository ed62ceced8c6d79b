"""`vibekit grade`: hand-arm vibration magnitude."""

from __future__ import annotations

import typer

from .options import Json, RecordingOptions, Recordings, recording_command


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(grade))


def grade(recordings: Recordings, options: RecordingOptions, as_json: Json = False) -> None:
    """Hand-arm vibration magnitude of recordings, with allowed trigger time."""
    typer.echo(f"{options} {recordings} {as_json}")
