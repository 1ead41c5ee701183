"""Wrong use of a command in our own words: the value, what is allowed, what to do next."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from calib.spelling import close_to


def in_words(error: Any, command: str) -> tuple[str, str]:
    """Message and hint of an error of the argument parser, whose own kinds are known by name only.

    command : 'calib', or 'calib fit'
    """
    see = f"See: {command} --help"
    match type(error).__name__:
        case "NoSuchOption":
            return _no_such_option(error, command, see)
        case "MissingParameter":
            return f"{_name(error.param)} is missing: {_help(error.param)}.", see
        case "BadOptionUsage" if "does not take" in error.message:
            return f"{error.option_name} takes no value.", see
        case "BadOptionUsage":
            return f"{error.option_name} needs a value after it.", see
        case "BadParameter" if error.param is not None:
            return _bad_value(error), see
    extra = error.message.partition("extra argument(s) (")[2].removesuffix(")")
    if extra:
        return f'"{extra}" is one word too many for {command}.', f"A name with blanks stands in quotes. {see}"
    return error.format_message().rstrip(".") + ".", see


def no_such_command(word: str, commands: Iterable[str]) -> tuple[str, str]:
    """Message and hint for a word that is no command.

    >>> no_such_command("quotient", ["quote", "fit"])
    ('There is no command "quotient".', 'Did you mean calib quote? All of them: calib --help')
    """
    return f'There is no command "{word}".', f"{_did_you_mean(word, commands, 'calib ')}All of them: calib --help"


def _no_such_option(error: Any, command: str, see: str) -> tuple[str, str]:
    known = [name for parameter in error.ctx.command.params for name in parameter.opts if name.startswith("-")]
    message = f"There is no option {error.option_name} of {command}."
    if command == "calib":
        return message, f"Options stand behind a command, as in: calib fit --shop DIR. {see}"
    return message, _did_you_mean(error.option_name, known) + see


def _did_you_mean(word: str, known: Iterable[str], before: str = "") -> str:
    near = close_to(word, known)
    return f"Did you mean {before}{near[0]}? " if near else ""


def _bad_value(error: Any) -> str:
    """The first thing that is wrong with a value, which the type checker behind the parser knows in detail."""
    checked = getattr(error.__cause__, "errors", None)
    if checked is None:
        return f"{_name(error.param)}: {error.message}".rstrip(".") + "."
    first = checked()[0]
    return f'{_name(error.param)} is "{first["input"]}"; expected {_expected(error.param)}.'


def _expected(parameter: Any) -> str:
    low, high = (getattr(parameter.type_descriptor.parameter_info, end, None) for end in ("min", "max"))
    number = "a whole number" if "int" in str(parameter.type_descriptor.annotation) else "a number"
    if low is not None and high is not None:
        return f"{number} from {low:g} to {high:g}"
    return f"{number}, {low:g} or more" if low is not None else number


def _name(parameter: Any) -> str:
    options = [name for name in parameter.opts if name.startswith("--")]
    name: str = options[0] if options else (parameter.metavar or parameter.name.upper()).strip("[].")
    return name


def _help(parameter: Any) -> str:
    text = (getattr(parameter, "help", None) or "").rstrip(".")
    return text[:1].lower() + text[1:]
