"""How the commands are written, and what their exit status means; no forestry of its own."""

from __future__ import annotations

import argparse
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path

from standmap import __version__, commands
from standmap.errors import InputError, OutputError, StandmapError

_EPILOG = """\
exit status: 0 done; 1 the input needs mending; 2 the command was mistyped; 3 a fault of
standmap's own; 4 the results could not be written; 130 interrupted. `standmap buffers --strict`
also: 5 a harvest unit enters ground where nothing may be cut; 6 none does, but it is not settled.
"""

_BUFFERS_EPILOG = """\
exit status with --strict: 0 every harvest unit keeps off all that must stay; 5 a unit enters ground
where nothing may be cut, or a road or landing is nearer water than its setback; 6 no unit does, but
the answer is not settled: it rests on an unverified rule, a unit enters a buffer of which part may
be cut, a road crosses water where no crossing is mapped, there is no stream layer, or there are no
units.
Without --strict the status is 0 however the check comes out. It is a check of lines on a map, not
of the ground and not of the law.
"""

_LAYOUT_EPILOG = """\
A tract file with [stands] and neither [plots] nor [trees] is a tract never cruised: state how much
plots differ there by --cv, or in its [layout]. Examples:
  standmap layout my_tract --error 15
  standmap layout new_tract --error 20 --cv pine=45 "upland oak=65" --per-acre pine=9 "upland oak=6"
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    arguments = _parser().parse_args(argv)
    try:
        run: Callable[[argparse.Namespace], int] = arguments.run
        return run(arguments)
    except InputError as error:
        commands.print_problems(error.problems)
        return commands.BAD_INPUT
    except OutputError as error:
        commands.complain(str(error))
        return commands.NOT_WRITTEN
    except StandmapError as error:
        commands.complain(str(error))
        return commands.BAD_INPUT
    except KeyboardInterrupt:
        commands.complain("Interrupted; earlier results, if any, are as they were.")
        return commands.INTERRUPTED
    except BrokenPipeError:
        # The reader of a pipe went away (`standmap guide | head`): that is not a fault.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return commands.OK
    except Exception:
        traceback.print_exc()
        commands.complain(
            "This is a fault in standmap, not in your data. Please report the lines above."
        )
        return commands.FAILURE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="standmap",
        description="From a woodland cruise tally to a timber appraisal on a map.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"standmap {__version__}")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    sample = subparsers.add_parser("sample", help="write the sample tract to a folder")
    sample.add_argument("dir", type=Path, metavar="DIR", help="folder to write; new or empty")
    sample.set_defaults(run=commands.sample)

    check = subparsers.add_parser("check", help="read and check a tract; compute nothing")
    check.add_argument("tract", type=Path, metavar="TRACT", help="tract file or its folder")
    check.set_defaults(run=commands.check)

    appraise = subparsers.add_parser("appraise", help="appraise a tract: the main job")
    appraise.add_argument("tract", type=Path, metavar="TRACT", help="tract file or its folder")
    appraise.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        default=Path("appraisal"),
        help="where the results go (default: ./appraisal)",
    )
    appraise.set_defaults(run=commands.appraise)

    together = subparsers.add_parser(
        "together", help="add up tracts cruised apart, with the error of the whole"
    )
    together.add_argument(
        "tracts", type=Path, nargs="+", metavar="TRACT", help="tract files or their folders"
    )
    together.add_argument("--csv", type=Path, metavar="FILE", help="write the totals there too")
    together.set_defaults(run=commands.together)

    buffers = subparsers.add_parser(
        "buffers",
        help="check harvest units against streamside rules and exclusions",
        epilog=_BUFFERS_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    buffers.add_argument("tract", type=Path, metavar="TRACT", help="tract file or its folder")
    buffers.add_argument(
        "--strict", action="store_true", help="tell the outcome by the exit status, for scripts"
    )
    buffers.add_argument(
        "--out", type=Path, metavar="DIR", help="write a page with maps, layers and a table there"
    )
    buffers.set_defaults(run=commands.buffers)

    log = subparsers.add_parser("log", help="scale one log by every rule")
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
    log.set_defaults(run=commands.log)

    tree = subparsers.add_parser("tree", help="cut one tree into logs and scale them")
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
    tree.add_argument(
        "--stump", type=float, default=1.0, metavar="FT", help="stump height, feet (default: 1)"
    )
    tree.add_argument(
        "--trim",
        type=float,
        default=0.3,
        metavar="FT",
        help="trim on each log, feet (default: 0.3)",
    )
    tree.set_defaults(run=commands.tree)

    stick = subparsers.add_parser(
        "stick", help="print a tree scale stick, to scale, for your reach"
    )
    stick.add_argument(
        "--reach", type=float, required=True, metavar="IN", help="inches from your eye to the stick"
    )
    stick.add_argument(
        "--distance",
        type=float,
        required=True,
        metavar="FT",
        help="level distance from the tree when heights are read, feet (66: one chain)",
    )
    stick.add_argument(
        "--baf", type=float, metavar="BAF", help="add the limiting-distance table of this factor"
    )
    stick.add_argument(
        "--paces", type=float, metavar="N", help="add the pace card: your paces to a chain of 66 ft"
    )
    _add_paper(stick)
    stick.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        default=Path("stick"),
        help="where the files go (default: ./stick)",
    )
    stick.set_defaults(run=commands.stick)

    distances = subparsers.add_parser(
        "distances", help="print how far a tree may stand and count, on slopes too"
    )
    sized = distances.add_mutually_exclusive_group(required=True)
    sized.add_argument("--baf", type=float, metavar="BAF", help="basal area factor of a point")
    sized.add_argument("--plot-acres", type=float, metavar="AC", help="or acres of a round plot")
    sized.add_argument("--plot-radius", type=float, metavar="FT", help="or its level radius, feet")
    distances.add_argument(
        "--slope",
        type=float,
        nargs="+",
        metavar="PCT",
        help="slopes of the tape (default: 0 to 70)",
    )
    distances.add_argument(
        "--dbh",
        type=float,
        nargs=2,
        metavar=("LOW", "HIGH"),
        help="diameters from LOW to HIGH by the inch (default: 4 to 40)",
    )
    distances.add_argument(
        "--to",
        choices=("centre", "face"),
        default="centre",
        help="where the tape is held: the middle of the stem seen from the side, or its near "
        "face (default: centre)",
    )
    distances.set_defaults(run=commands.distances)

    layout = subparsers.add_parser(
        "layout",
        help="lay out the plots of the next cruise, or the first",
        epilog=_LAYOUT_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    layout.add_argument("tract", type=Path, metavar="TRACT", help="tract file or its folder")
    many = layout.add_mutually_exclusive_group(required=True)
    many.add_argument(
        "--error", type=float, metavar="PCT", help="sampling error wanted of the total, percent"
    )
    many.add_argument("--plots", type=int, metavar="N", help="or the number of plots to place")
    many.add_argument(
        "--budget", type=float, metavar="USD", help="or the money for all plots; needs --cost"
    )
    for option, name, words in (
        ("--cv", "cv_pct", "CV between plots, percent, where no cruise tells it (or in its place)"),
        ("--per-acre", "per_acre", "guess of what an acre holds, on a tract never cruised"),
        ("--cost", "cost_usd", "cost of a plot, dollars"),
    ):
        layout.add_argument(
            option, dest=name, nargs="+", metavar="N|STRATUM=N", help=f"{words}; for all or each"
        )
    layout.add_argument(
        "--method",
        choices=("grid", "random", "balanced"),
        default="grid",
        help="grid with a random start, random, or random spread evenly (default: grid)",
    )
    layout.add_argument(
        "--by",
        choices=("optimum", "acres"),
        default="optimum",
        help="share plots out for the least error, or by acres alone (default: optimum)",
    )
    layout.add_argument(
        "--off-edge",
        type=float,
        default=0.0,
        metavar="FT",
        help="keep plots this far inside stand edges; biases the estimate (default: 0)",
    )
    layout.add_argument("--seed", type=int, metavar="N", help="draws the same plots again")
    layout.add_argument(
        "--start",
        type=float,
        nargs=2,
        metavar=("LON", "LAT"),
        help="where the walk starts, such as the gate, degrees",
    )
    layout.add_argument(
        "--paces", type=float, metavar="N", help="your paces to a chain, for the field sheet"
    )
    layout.add_argument(
        "--declination",
        type=float,
        metavar="DEG",
        help="degrees a compass points east of true north there (west negative): adds magnetic "
        "bearings to the field sheet",
    )
    _add_paper(layout)
    layout.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        default=Path("layout"),
        help="where the files go (default: ./layout)",
    )
    layout.set_defaults(run=commands.layout)

    units = subparsers.add_parser("units", help="list the harvest units, or propose some")
    units.add_argument("tract", type=Path, metavar="TRACT", help="tract file or its folder")
    units.add_argument("--propose", action="store_true", help="propose units on the net ground")
    units.add_argument(
        "--min-acres",
        type=float,
        default=10.0,
        metavar="AC",
        help="smallest unit proposed (default: 10)",
    )
    units.add_argument(
        "--max-acres",
        type=float,
        default=40.0,
        metavar="AC",
        help="largest unit proposed (default: 40)",
    )
    units.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        default=Path("units"),
        help="where proposed units go (default: ./units)",
    )
    units.set_defaults(run=commands.units)

    guide = subparsers.add_parser("guide", help="show a short guide page")
    guide.add_argument("topic", nargs="?", metavar="TOPIC", help="leave out to list the topics")
    guide.set_defaults(run=commands.guide)
    return parser


def _add_paper(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--paper", choices=("letter", "a4"), default="letter", help="to print on (default: letter)"
    )


if __name__ == "__main__":
    sys.exit(main())
