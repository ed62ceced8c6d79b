"""The list of commands in a help text: with the whole first sentence of each, over two lines where it needs them."""

from __future__ import annotations

from typing import Any

from typer.core import TyperGroup

_LONGEST = 200  # letters of a first sentence


class Overview(TyperGroup):
    """A group of commands whose help cuts no sentence short."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands with what they do."""
        found = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl([(name, command.get_short_help_str(_LONGEST)) for name, command in found if command])
