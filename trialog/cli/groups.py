"""Groups of commands that load a command when it is called, and what bad input ends in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import click

from trialog.errors import TrialogError
from trialog.garbage import no_search


class Refusal(click.ClickException):
    """Bad input: its message goes to stderr, and the command ends with exit code 2."""

    exit_code = 2


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called.

    Half of them need no database and none of them all libraries; `trialog bounds` should not
    wait for the web.
    """

    def __init__(self, *args: Any, lazy: Mapping[str, str], **options: Any) -> None:
        super().__init__(*args, **options)
        self._lazy = lazy

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of the commands, in the order in which they are used."""
        return [*self._lazy, *super().list_commands(ctx)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, imported."""
        if cmd_name not in self._lazy:
            return super().get_command(ctx, cmd_name)
        module, _, attribute = self._lazy[cmd_name].partition(":")
        with no_search():
            command: click.Command = getattr(import_module(module), attribute)
        return command


class RootGroup(LazyGroup):
    """The group of all commands; it turns the errors of bad input into refusals."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        with refusing():
            return super().invoke(ctx)


@contextmanager
def refusing() -> Iterator[None]:
    """Turn the errors that bad input ends in into a message and exit code 2."""
    try:
        yield
    except TrialogError as error:
        raise Refusal(str(error)) from error
    except BrokenPipeError:
        raise  # whoever reads the output has had enough: click ends quietly
    except OSError as error:
        # The path stays whole here: it may come from a variable that nobody has before them.
        place = error.filename or "the standard input or output"
        fault = f"file must be one that can be used ({error.strerror or error}), got {place!r}"
        raise Refusal(fault) from error
