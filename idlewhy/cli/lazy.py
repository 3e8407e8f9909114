"""Groups whose subcommands are imported only when they are called, so that the command starts at once."""

from __future__ import annotations

import importlib
from typing import Any

import click


class LazyGroup(click.Group):
    """A group of commands that live in modules of their own: name -> "module:attribute"."""

    def __init__(self, *args: Any, modules: dict[str, str], **settings: Any) -> None:
        super().__init__(*args, **settings)
        self.modules = modules

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*self.modules, *super().list_commands(ctx)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.modules:
            return super().get_command(ctx, cmd_name)
        module, _, name = self.modules[cmd_name].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command
