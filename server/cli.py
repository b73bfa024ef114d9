"""The `verdigris` program: one clear sentence and an honest exit code for everything."""

from __future__ import annotations

import importlib
import os
import pkgutil
import sys
import traceback
from collections.abc import Sequence

import typer

from kernels.errors import StoppedError, VerdigrisError

# Typer carries its own copy of click in new versions and imports it in old ones: its base of all
# usage errors is reached through the class that Typer exports.
UsageProblem: type[Exception] = typer.BadParameter.__mro__[2]

DONE, UNEXPECTED, USAGE, INTERRUPTED = 0, 1, 2, 130

app = typer.Typer(
    name="verdigris",
    help="Key green- and blue-screen shots: judge the screen, pull the matte, see it at once.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"verdigris {version('verdigris')}")
        raise typer.Exit


@app.callback()
def _program(
    version: bool = typer.Option(
        False, "--version", help="Print the version and stop.", callback=_version, is_eager=True
    ),
) -> None:
    """Take options that stand before a command."""


def _register() -> None:
    """Add the commands of every module of `server.commands` that has some, by its PLACE."""
    import server.commands as package

    found = [
        importlib.import_module(f"{package.__name__}.{module.name}")
        for module in pkgutil.iter_modules(package.__path__)
    ]
    commands = [module for module in found if hasattr(module, "register")]
    for module in sorted(commands, key=lambda module: module.PLACE):
        module.register(app)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the program and exit with its code; `arguments` default to the command line."""
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the program and return its exit code.

    0 done, 1 unexpected, 2 usage or bad input, 3 to 5 survey verdicts, 130 on Ctrl-C.
    """
    if not app.registered_commands:
        _register()
    for given in sys.argv[1:] if arguments is None else arguments:
        if not _is_text(given):
            shown = given.encode("utf-8", "replace").decode()
            _say(f"'{shown}' is not UTF-8 text; rename the file or folder, or choose another name")
            return USAGE
    try:
        result = app(args=arguments, prog_name="verdigris", standalone_mode=False)
        # Some versions of Typer turn an interrupt into this code, others let it through.
        return _interrupted() if result == INTERRUPTED else result if _is_code(result) else DONE
    except typer.Exit as stop:
        return _interrupted() if stop.exit_code == INTERRUPTED else int(stop.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        return _interrupted()
    except StoppedError as error:
        _say(str(error))
        return INTERRUPTED
    except VerdigrisError as error:
        _say(str(error))
        return USAGE
    except UsageProblem as error:
        if type(error).__name__ == "NoArgsIsHelpError":  # Typer shows the help by an error.
            print(_text(error), file=sys.stderr)
        else:
            _say(_usage(error))
        return USAGE
    except BrokenPipeError:
        sys.stderr.close()
        return DONE
    except Exception as error:
        return _unexpected(error)


def _is_text(argument: str) -> bool:
    """Tell whether an argument is text: bytes that are none come as lone surrogates."""
    try:
        argument.encode()
    except UnicodeEncodeError:
        return False
    return True


def _is_code(result: object) -> bool:
    return isinstance(result, int) and not isinstance(result, bool)


def _interrupted() -> int:
    _say("stopped; nothing is half-written, run the same command again to finish")
    return INTERRUPTED


def _text(error: Exception) -> str:
    return str(getattr(error, "format_message", lambda: str(error))()).strip()


def _usage(error: Exception) -> str:
    """Return the mistake as one sentence that names the help of the command it was made in."""
    command = getattr(getattr(error, "ctx", None), "command_path", "verdigris")
    message = _text(error).rstrip(".") or "nothing to do"
    return f"{message} (see `{command} --help`)"


def _unexpected(error: Exception) -> int:
    if os.environ.get("VERDIGRIS_DEBUG"):
        traceback.print_exc()
    _say(
        f"unexpected error, please report it: {type(error).__name__}: {error} "
        "(VERDIGRIS_DEBUG=1 shows where)"
    )
    return UNEXPECTED


def _say(message: str) -> None:
    print(f"verdigris: {message}", file=sys.stderr)


if __name__ == "__main__":
    main()
