"""The command line: every command, and the one place where an error becomes a line of text."""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import NoReturn

import typer

from cli import exits
from cli.commands import add, audit, check, families, instrument, keep, plan, shelf, sweep, systems
from cli.words import printable
from refdb.errors import StraygaugeError

NAME = "straygauge"
TRACE = "STRAYGAUGE_TRACE"

app = typer.Typer(
    name=NAME,
    help="Does this waveform look normal, how far does it stray, and which known fault is it like?",
    no_args_is_help=False,
    add_completion=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
COMMANDS: dict[str, Callable[..., int]] = {
    "check": check.check,
    "sweep": sweep.sweep,
    "add": add.add,
    "list": shelf.list_,
    "show": shelf.show,
    "remove": shelf.remove,
    "contexts": shelf.contexts,
    "systems": systems.systems,
    "plan": plan.plan,
    "families": families.families,
    "instrument": instrument.instrument,
    "audit": audit.audit,
    "verify": keep.verify,
    "backup": keep.backup,
    "restore": keep.restore,
}
for _name, _command in COMMANDS.items():
    app.command(_name, short_help=_command.__doc__)(_command)

# What typer raises for wrong usage, whether it brings its own click or uses the package.
_UsageError: type[Exception] = typer.BadParameter.__mro__[2]


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Runs one command and ends the program with its exit code; see `cli.exits`.

    arguments: without the program's name; the process's own when None.
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(AttributeError):  # a stream put in the place of the real one
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # libraries' remarks to programmers
    try:
        code = _run(list(sys.argv[1:] if arguments is None else arguments))
        sys.stdout.flush()
    except BrokenPipeError:
        code = exits.READER_GONE
        with suppress(OSError, ValueError):  # so that nothing is written at the very end
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)


def _run(arguments: list[str]) -> int:
    """The boundary: whatever goes wrong below leaves here as one line and an exit code."""
    try:
        return _invoke(arguments)
    except BrokenPipeError:
        raise
    except StraygaugeError as problem:
        return _say(str(problem), exits.CANNOT_BE_USED)
    except KeyboardInterrupt:
        return _say("stopped; what was reported as done is kept, the rest was not begun",
                    exits.STOPPED)  # fmt: skip
    except MemoryError:
        return _say(
            "expected enough memory for this work, found too little; "
            "close other programs, or cut the recording shorter",
            exits.CANNOT_BE_USED,
        )
    except OSError as problem:
        return _say(_of_system(problem), exits.CANNOT_BE_USED)
    except Exception as problem:
        if os.environ.get(TRACE):
            raise
        return _say(
            f"a mistake in {NAME} itself: {type(problem).__name__}: {problem}; "
            f"please report it with what {TRACE}=1 shows",
            exits.OWN_FAULT,
        )


def _invoke(arguments: list[str]) -> int:
    command = typer.main.get_command(app)
    try:
        with command.make_context(NAME, list(arguments or ["--help"])) as context:
            code = command.invoke(context)
    except typer.Exit as done:
        code = done.exit_code
    except _UsageError as problem:
        return _say(_of_usage(problem), exits.CANNOT_BE_USED)
    if not arguments:
        return exits.CANNOT_BE_USED
    return code if isinstance(code, int) else exits.FINE


def _say(text: str, code: int) -> int:
    """One line on standard error that cannot steer the terminal."""
    sys.stdout.flush()
    print(f"{NAME}: {printable(text)}", file=sys.stderr)
    return code


def _of_usage(problem: Exception) -> str:
    context = getattr(problem, "ctx", None)
    command = context.command_path if context is not None else NAME
    text = problem.format_message().rstrip(".")  # type: ignore[attr-defined]
    said = " ".join(text.split()).replace(": Value error, ", ": ")
    return f"{said}; see `{command} --help`"


def _of_system(problem: OSError) -> str:
    reason = problem.strerror or str(problem) or type(problem).__name__
    if problem.filename is None:
        return f"expected the system to do its part, found '{reason}'; check disk and permissions"
    name = os.fsdecode(problem.filename)
    return f"{name}: expected a file that can be used, found '{reason}'; check path and permissions"


if __name__ == "__main__":
    main()
