"""A command group that says which command was probably meant."""

from __future__ import annotations

import click


class SuggestingGroup(click.Group):
    """A group whose error about an unknown command names the nearest ones, with any version of click."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command of the first argument.

        Args:
            ctx: click's context.
            args: what was typed.

        Raises:
            UsageError: there is no such command.
        """
        if not ctx.resilient_parsing and args and not args[0].startswith("-"):
            names = self.list_commands(ctx)
            if args[0] not in names:
                from difflib import get_close_matches

                near = get_close_matches(args[0].lower(), names, n=2)
                meant = f" Did you mean {' or '.join(map(repr, near))}?" if near else ""
                raise click.UsageError(f"No such command {args[0]!r}.{meant}", ctx)
        return super().resolve_command(ctx, args)
