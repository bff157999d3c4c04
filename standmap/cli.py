"""The commands. This is the only module that prints; it does no forestry of its own."""

from __future__ import annotations

import argparse
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from standmap import __version__
from standmap.errors import InputError, OutputError, Problem, StandmapError, problem_lines

if TYPE_CHECKING:
    from rich.console import Console

OK: Final = 0
BAD_INPUT: Final = 1
FAILURE: Final = 3
NOT_WRITTEN: Final = 4
INTERRUPTED: Final = 130

_EPILOG = """\
exit status: 0 done; 1 the input needs mending; 2 the command was mistyped; 3 a fault of
standmap's own; 4 the results could not be written; 130 interrupted.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    arguments = _parser().parse_args(argv)
    try:
        run: Callable[[argparse.Namespace], int] = arguments.run
        return run(arguments)
    except InputError as error:
        _print_problems(error.problems)
        return BAD_INPUT
    except OutputError as error:
        _complain(str(error))
        return NOT_WRITTEN
    except StandmapError as error:
        _complain(str(error))
        return BAD_INPUT
    except KeyboardInterrupt:
        _complain("Interrupted; earlier results, if any, are as they were.")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of a pipe went away (`standmap guide | head`): that is not a fault.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception:
        traceback.print_exc()
        _complain("This is a fault in standmap, not in your data. Please report the lines above.")
        return FAILURE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="standmap",
        description="From a woodland cruise tally to a timber appraisal on a map.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"standmap {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    sample = commands.add_parser("sample", help="write the sample tract to a folder")
    sample.add_argument("dir", type=Path, metavar="DIR", help="folder to write; new or empty")
    sample.set_defaults(run=_sample)

    check = commands.add_parser("check", help="read and check a tract; compute nothing")
    check.add_argument("tract", type=Path, metavar="TRACT", help="tract file or its folder")
    check.set_defaults(run=_check)

    appraise = commands.add_parser("appraise", help="appraise a tract: the main job")
    appraise.add_argument("tract", type=Path, metavar="TRACT", help="tract file or its folder")
    appraise.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        default=Path("appraisal"),
        help="where the results go (default: ./appraisal)",
    )
    appraise.set_defaults(run=_appraise)

    log = commands.add_parser("log", help="scale one log by every rule")
    log.add_argument(
        "--dib",
        type=float,
        required=True,
        metavar="IN",
        help="small-end diameter inside bark, inches",
    )
    log.add_argument(
        "--length",
        type=float,
        required=True,
        metavar="FT",
        help="scaled length in feet, without trim",
    )
    log.add_argument(
        "--large-dib",
        type=float,
        metavar="IN",
        help="large-end diameter inside bark, inches (else taper is assumed)",
    )
    log.set_defaults(run=_log)

    tree = commands.add_parser("tree", help="cut one tree into logs and scale them")
    tree.add_argument(
        "--species",
        required=True,
        metavar="NAME",
        help="common or scientific name, PLANTS symbol or FIA code",
    )
    tree.add_argument(
        "--dbh", type=float, required=True, metavar="IN", help="diameter at breast height, inches"
    )
    tree.add_argument(
        "--logs", type=float, required=True, metavar="N", help="16-foot logs to the nearest half"
    )
    tree.add_argument(
        "--height",
        type=float,
        metavar="FT",
        help="total height, feet (then the national profile is used)",
    )
    tree.add_argument(
        "--form-class",
        type=float,
        metavar="PCT",
        help="Girard form class (default: the species' own)",
    )
    tree.add_argument(
        "--defect",
        type=float,
        default=0.0,
        metavar="PCT",
        help="percent of the board-foot scale lost to defect",
    )
    tree.set_defaults(run=_tree)

    guide = commands.add_parser("guide", help="show a short guide page")
    guide.add_argument("topic", nargs="?", metavar="TOPIC", help="leave out to list the topics")
    guide.set_defaults(run=_guide)
    return parser


def _console(*, error: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=error, highlight=False, soft_wrap=True)


def _complain(message: str) -> None:
    print(f"standmap: {message}", file=sys.stderr)


def _print_problems(problems: Sequence[Problem]) -> None:
    """Print problems, errors first."""
    for severity in ("error", "warning"):
        some = [p for p in problems if p.severity == severity]
        if not some:
            continue
        head = "To mend before this tract can be appraised" if severity == "error" else "To know"
        print(f"{head} ({len(some)}):", file=sys.stderr)
        for line in problem_lines(some):
            print(f"  {line}", file=sys.stderr)


def _sample(arguments: argparse.Namespace) -> int:
    from standmap.tract.sample import write_sample

    written = write_sample(arguments.dir)
    print(f"Wrote the sample tract ({len(written)} files) to {arguments.dir}")
    print(f"Next: standmap appraise {arguments.dir}")
    return OK


def _check(arguments: argparse.Namespace) -> int:
    from standmap.tract import read_tract

    tract = read_tract(arguments.tract)
    _print_problems(tract.problems)
    print(tract)
    touched = len(tract.ledger)
    print(
        f"Ready to appraise. {touched} input row{'' if touched == 1 else 's'} changed, set aside "
        "or noted; the appraisal's ledger.csv lists each."
    )
    return OK


def _appraise(arguments: argparse.Namespace) -> int:
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from standmap.appraisal import appraise
    from standmap.report import check_target
    from standmap.tract import read_tract

    check_target(arguments.out)  # before the work, so that a bad folder is known at once
    columns = (TextColumn("{task.description:<34}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=_console(error=True), transient=True) as bar:
        task = bar.add_task("Reading the tract", total=1.0)

        def tell(fraction: float, message: str) -> None:
            bar.update(task, completed=fraction, description=message)

        tract = read_tract(arguments.tract)
        appraisal = appraise(tract, progress=lambda f, m: tell(0.1 + 0.5 * f, m))
        written = appraisal.write(arguments.out, progress=lambda f, m: tell(0.6 + 0.4 * f, m))
    _print_problems(appraisal.problems)
    print(appraisal.summary())
    print(f"Results in {arguments.out}:")
    for name in ("report.html", "map.html", "tables.xlsx", "appraisal.gpkg", "ledger.csv"):
        if name in written:
            print(f"  {written[name]}")
    return OK


def _log(arguments: argparse.Namespace) -> int:
    from standmap.single import scale_log

    print(scale_log(arguments.dib, arguments.length, large_dib_in=arguments.large_dib))
    return OK


def _tree(arguments: argparse.Namespace) -> int:
    from standmap.single import scale_tree

    print(
        scale_tree(
            arguments.species,
            arguments.dbh,
            arguments.logs,
            height_ft=arguments.height,
            form_class=arguments.form_class,
            defect_pct=arguments.defect,
        )
    )
    return OK


def _guide(arguments: argparse.Namespace) -> int:
    from standmap.guide import page, topics

    if arguments.topic is None:
        print("Guide pages (standmap guide TOPIC):")
        for topic, title in topics().items():
            print(f"  {topic:<12} {title}")
        return OK
    text = page(arguments.topic)
    if sys.stdout.isatty():
        from rich.markdown import Markdown

        _console().print(Markdown(text))
    else:
        print(text)
    return OK


if __name__ == "__main__":
    sys.exit(main())
