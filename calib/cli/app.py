"""The program ``calib``: one command for each question; one place that turns errors into a sentence."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer

from calib.cli import commands, fault, usage
from calib.cli.answer import error_document, print_document
from calib.cli.printable import printable
from calib.cli.progress import end_progress
from calib.errors import CalibError

INTERRUPTED = 130  # exit status
ABOUT = (
    "How long until these parts are finished, by which process, and how sure is that? "
    "Physics first, corrected by this lab's own logs, always as a range.\n\n"
    "Start: calib demo (the whole job on an invented lab), or calib init my-lab."
)


def _program(arguments: list[str]) -> typer.Typer:
    """The program with the one command that is called: building all of them would take as long again as starting."""
    made = typer.Typer(
        name="calib",
        cls=commands.UnderHeadings,
        rich_markup_mode=None,
        add_completion=False,
        no_args_is_help=False,
        pretty_exceptions_enable=False,
        help=ABOUT,
    )
    made.callback()(_options)
    commands.register(made, [word for word in arguments[:1] if word in commands.IN_ORDER])
    return made


def _show_version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        print(f"calib {version('calib')}")
        raise typer.Exit


def _options(
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_show_version, help="Show the version and exit.")
    ] = False,
) -> None:
    """Options of the program itself."""


def main() -> None:
    sys.exit(guarded(sys.argv[1:]))


def guarded(arguments: list[str]) -> int:
    """As ``run``; what no part of calib expected is a sentence too, unless a developer wants to see it."""
    try:
        status = run(arguments)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        fault.reader_has_left()
        return 0
    except Exception as error:
        if fault.is_debug():
            raise
        return _show_error(*fault.in_words(error, _command(arguments)), "--json" in arguments)


def run(arguments: list[str]) -> int:
    """One call of calib; its exit status: 0 done, 1 a check asked for with --strict did not hold, 2 unusable."""
    arguments = [*(commands.OLD_NAMES.get(word, word) for word in arguments[:1]), *arguments[1:]]
    as_json = "--json" in arguments
    _write_utf8()
    try:
        answer = _call(arguments)
    except (KeyboardInterrupt, typer.Abort):
        return _interrupted()
    except CalibError as error:
        return _show_error(error.message, error.hint, as_json)
    except OSError as error:
        if not (sentence := fault.of_the_system(error)):
            raise
        return _show_error(*sentence, as_json)
    except typer.exceptions.TyperException as error:
        return _show_error(*usage.in_words(error, f"calib {_command(arguments)}".strip()), as_json)
    if answer is None or isinstance(answer, int):  # help, version, or Ctrl-C, of which the parser makes this number
        return _interrupted() if answer == INTERRUPTED else int(answer or 0)
    if as_json:
        print_document(answer.document)
    else:
        text = answer.as_text()
        print(printable(text), end="\n" if text else "", flush=True)
    status: int = answer.status
    return status


def _call(arguments: list[str]) -> Any:
    try:
        return _program(arguments)(arguments or ["--help"], standalone_mode=False, prog_name="calib")
    finally:
        end_progress()


def _command(arguments: list[str]) -> str:
    """The command that was called; '' where the first word is none."""
    return arguments[0] if arguments and arguments[0] in commands.IN_ORDER else ""


def _interrupted() -> int:
    print("Interrupted; nothing was left half-done.", file=sys.stderr)
    return INTERRUPTED


def _show_error(message: str, hint: str, as_json: bool) -> int:
    if as_json:
        print_document(error_document(message, hint))
    else:
        print(printable(f"calib: {message} {hint}".strip()), file=sys.stderr)
    return 2


def _write_utf8() -> None:
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
