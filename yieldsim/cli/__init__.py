"""The command line: a group whose commands are imported when they are used, and the way errors are shown."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from importlib import import_module

import click

from yieldsim import __version__
from yieldsim.cli.pipe import silence
from yieldsim.words.errors import Problem, WorkError, YieldsimError

USAGE = 2
INTERRUPTED = 130
# Command -> module and what it asks; the text stands here so that the overview imports none of the modules.
COMMANDS = {
    "new": ("new_command", "What does a configuration look like? Writes a commented one that runs."),
    "check": ("check_command", "What will be used, and does it make sense?"),
    "actuation": ("actuation_command", "What happens in one actuation, nominal or addressed?"),
    "yield": ("yield_command", "How many actuations complete, and how many units comply?"),
    "rank": ("rank_command", "What decides it?"),
    "worst-case": ("worst_case_command", "How bad can it get?"),
    "tail": ("tail_command", "How rare is a failure, down to one in a thousand million?"),
    "size": ("size_command", "Which values of a number meet the requirement?"),
    "ratings": ("ratings_command", "What is taken of every rating?"),
    "compare": ("compare_command", "Is B better than A?"),
    "allocate": ("allocate_command", "Which tolerance is worth what?"),
    "life": ("life_command", "Until when do the units keep to it, and what ages them?"),
    "signoff": ("signoff_command", "May it go out? Writes the report."),
    "schema": ("schema_command", "Which keys does a configuration have? Prints its JSON Schema."),
}
_EXAMPLE = """\b
Example:
  yieldsim new node.toml
  yieldsim check node.toml
  yieldsim signoff node.toml

\b
Exit codes:
  0    done; signoff: the requirement is met, or there is none
  1    the input is wrong, or the work failed
  2    wrong usage
  3    signoff: not met
  4    signoff: undecided with this effort
  130  interrupted
"""


class LazyGroup(click.Group):
    """A group that knows its commands by name and imports them when they are used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of a first use."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command; None where there is none of this name."""
        if cmd_name not in COMMANDS:
            return None
        found: click.Command = import_module(f"{__name__}.{COMMANDS[cmd_name][0]}").command
        return found

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Resolve a command, naming the nearest one where there is none of this name."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from yieldsim.words.spelling import nearest

            ctx.fail(f"No such command {args[0]!r}; {nearest(args[0], COMMANDS)}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the overview from the table, without importing a command."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyGroup, epilog=_EXAMPLE, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="yieldsim")
def group() -> None:
    """Tell how reliably a batteryless wireless node works, from the tolerances of its parts."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with its exit code."""
    sys.exit(run(list(sys.argv[1:] if arguments is None else arguments)))


def run(arguments: list[str]) -> int:
    """Run a command and return its exit code; every error is shown, as JSON where ``--json`` is asked for."""
    as_json = "--json" in arguments
    try:
        code = group.main(args=arguments, prog_name="yieldsim", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except click.UsageError as error:
        return _usage(error, as_json)
    except click.ClickException as error:
        return _failed(WorkError(Problem(None, None, None, error.format_message(), "see --help")), as_json)
    except YieldsimError as error:
        return _failed(error, as_json)
    except BrokenPipeError:
        return _pipe_closed()
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted", err=True)
        return INTERRUPTED
    except Exception as error:
        if os.environ.get("YIELDSIM_DEBUG") == "1":
            raise
        return _failed(_unexpected(error), as_json)


def _unexpected(error: Exception) -> WorkError:
    if isinstance(error, MemoryError):
        return WorkError(Problem(None, None, None, "out of memory", "use fewer units or fewer threads"))
    if isinstance(error, OSError):
        reason = error.strerror or str(error)
        file = None if error.filename is None else str(error.filename)
        return WorkError(Problem(file, None, None, reason[:1].lower() + reason[1:], "check the path"))
    reason = f"this should not have happened ({type(error).__name__}: {error})"
    remedy = "report it with the configuration, the command and the output of the same with YIELDSIM_DEBUG=1"
    return WorkError(Problem(None, None, None, reason, remedy))


def _failed(error: YieldsimError, as_json: bool) -> int:
    if as_json:
        return _told(error.as_json(), error.exit_code)
    for line in str(error).splitlines():
        click.echo(f"error: {line}", err=True)
    return error.exit_code


def _usage(error: click.UsageError, as_json: bool) -> int:
    if not as_json:
        error.show()
        return USAGE
    parameter = getattr(error, "param", None)
    key = parameter.opts[0] if parameter is not None else getattr(error, "option_name", None)
    where = error.ctx.command_path if error.ctx is not None else "yieldsim"
    problem = Problem(None, key, None, error.format_message(), f"see {where} --help")
    return _told(WorkError(problem).as_json(), USAGE)


def _told(answer: dict[str, object], code: int) -> int:
    try:
        click.echo(json.dumps(answer, ensure_ascii=False, allow_nan=False))
        sys.stdout.flush()
    except BrokenPipeError:
        return _pipe_closed()
    return code


def _pipe_closed() -> int:
    """Say nothing when the reader has gone before all was told."""
    silence()
    return 1
