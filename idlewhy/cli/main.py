"""The command `idlewhy`, and how it ends."""

from __future__ import annotations

import errno
import sys
import traceback
from typing import Any

import click

from idlewhy.cli.lazy import LazyGroup
from signal_defs.errors import IdlewhyError

SUBCOMMANDS = {
    "demo": "idlewhy.cli.demo:demo",
    "inspect": "idlewhy.cli.inspect:inspect",
    "decode": "idlewhy.cli.decode:decode",
    "report": "idlewhy.cli.report:report",
    "compare": "idlewhy.cli.compare:compare",
    "platform": "idlewhy.cli.platform:platform",
    "fleet": "idlewhy.cli.fleet:fleet",
    "serve": "idlewhy.cli.serve:serve",
}


def _show_version(ctx: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(version("idlewhy"))
        ctx.exit()


@click.group(
    cls=LazyGroup,
    modules=SUBCOMMANDS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)
@click.option("--debug", is_flag=True, help="On a fault, show the whole traceback.")
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_show_version, help="Print the version."
)
@click.pass_context
def cli(ctx: click.Context, debug: bool) -> None:
    """Tell from a vehicle's bus log which condition refused idle-stop, and whether the battery is to blame.

    \b
    Example:
      idlewhy report monday.blf --platform example-van -o van-017.html
    """
    ctx.obj = debug


def main(arguments: list[str] | None = None) -> int:
    """Run the command; end with 0 done, 1 a defect of ours, 2 wrong usage, 3 unusable input, 4 a faulty definition.

    Whatever goes wrong is told in one message on stderr; a traceback only with --debug, before that message.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    options = words[: words.index("--")] if "--" in words else words
    debug = "--debug" in options  # wherever it stands: it is added when a command that failed is typed again
    if debug:
        words = [word for word in options if word != "--debug"] + words[len(options) :]
    try:
        outcome: Any = cli.main(args=words, prog_name="idlewhy", standalone_mode=False)
    except click.ClickException as fault:
        fault.show()
        code = fault.exit_code
    except click.Abort:
        click.echo("Interrupted; no half file was left.", err=True)
        code = 130
    except IdlewhyError as fault:
        if debug:
            traceback.print_exc()
        click.echo(_harmless(str(fault)), err=True)
        code = fault.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        code = 0
    except OSError as fault:
        if debug:
            traceback.print_exc()
        outside = fault.filename is not None and fault.errno in _OUTSIDE
        click.echo(_harmless(_of_the_system(fault) if outside else _of_ours(fault)), err=True)
        code = 2 if outside else 1
    except Exception as fault:  # noqa: BLE001  # the last resort: one message, and the exit code of a defect
        if debug:
            traceback.print_exc()
        click.echo(_harmless(_of_ours(fault)), err=True)
        code = 1
    else:
        code = outcome if isinstance(outcome, int) else 0
    if arguments is None:
        sys.exit(code)
    return code


# Not a folder, a folder, not allowed, no room, quota used up, read-only, name too long.
_OUTSIDE = {
    *(errno.ENOTDIR, errno.EISDIR, errno.EACCES, errno.EPERM, errno.ENOSPC, errno.EDQUOT, errno.EROFS),
    errno.ENAMETOOLONG,
}


def _of_the_system(fault: OSError) -> str:
    """What the system refused, and where: nothing of ours is wrong."""
    return (
        f"{fault.filename}: {fault.strerror}.\n"
        "Mend: See whether this is the place that is meant, may be written, and has room; or name another."
    )


def _of_ours(fault: Exception) -> str:
    return (
        f"A defect of idlewhy: {type(fault).__name__}: {fault}\n"
        "Mend: Run the same again with --debug and report what that prints."
    )


def _harmless(message: str) -> str:
    """The message without signs that would act on the terminal, such as those in a file's name."""
    from reports.plain import plain

    return plain(message)
