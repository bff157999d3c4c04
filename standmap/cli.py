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
UNIT_CONFLICT: Final = 5
NOT_SETTLED: Final = 6
INTERRUPTED: Final = 130

_LISTED: Final = (
    "report.html",
    "cruise.html",
    "merchandising.html",
    "land.html",
    "harvest.html",
    "map.html",
    "tables.xlsx",
    "appraisal.gpkg",
    "ledger.csv",
)
"""Results named at the end of an appraisal."""

_EPILOG = """\
exit status: 0 done; 1 the input needs mending; 2 the command was mistyped; 3 a fault of
standmap's own; 4 the results could not be written; 130 interrupted. `standmap buffers --strict`
also: 5 a harvest unit enters ground where nothing may be cut; 6 none does, but it is not settled.
"""

_BUFFERS_EPILOG = """\
exit status with --strict: 0 every harvest unit keeps off all that must stay; 5 a unit enters ground
where nothing may be cut; 6 no unit does, but the answer is not settled: a rule is unverified, a
unit enters a buffer of which part may be cut, there is no stream layer, or there are no units.
Without --strict the status is 0 however the check comes out. It is a check of lines on a map, not
of the ground and not of the law.
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

    buffers = commands.add_parser(
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
    buffers.set_defaults(run=_buffers)

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
    tree.set_defaults(run=_tree)

    stick = commands.add_parser("stick", help="print a tree scale stick, to scale, for your reach")
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
    stick.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        default=Path("stick"),
        help="where the files go (default: ./stick)",
    )
    stick.set_defaults(run=_stick)

    distances = commands.add_parser(
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
    distances.set_defaults(run=_distances)

    layout = commands.add_parser("layout", help="lay out the plots of the next cruise")
    layout.add_argument("tract", type=Path, metavar="TRACT", help="tract file or its folder")
    many = layout.add_mutually_exclusive_group(required=True)
    many.add_argument(
        "--error", type=float, metavar="PCT", help="sampling error wanted of the total, percent"
    )
    many.add_argument("--plots", type=int, metavar="N", help="or the number of plots to place")
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
    layout.add_argument("--cost", type=float, metavar="USD", help="cost of a plot, for the curve")
    layout.add_argument(
        "--paces", type=float, metavar="N", help="your paces to a chain, for the field sheet"
    )
    layout.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        default=Path("layout"),
        help="where the files go (default: ./layout)",
    )
    layout.set_defaults(run=_layout)

    units = commands.add_parser("units", help="list the harvest units, or propose some")
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
    units.set_defaults(run=_units)

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
    for name in _LISTED:
        if name in written:
            print(f"  {written[name]}")
    return OK


def _buffers(arguments: argparse.Namespace) -> int:
    from standmap.report.buffer_check import check_check_folder, check_text, write_check
    from standmap.steps.land import lay_out
    from standmap.tract import read_tract

    if arguments.out is not None:
        check_check_folder(arguments.out)  # before the work, so that a bad folder is known at once
    tract = read_tract(arguments.tract)
    land = lay_out(tract)
    _print_problems([*(p for p in tract.problems if "buffers" in (p.column or "")), *land.problems])
    print(check_text(tract, land))
    if arguments.out is not None:
        for path in write_check(tract, land, arguments.out).values():
            print(f"  {path}")
    if not arguments.strict:
        return OK
    return UNIT_CONFLICT if land.has_conflict else OK if land.is_settled else NOT_SETTLED


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
            stump_ft=arguments.stump,
            trim_ft=arguments.trim,
        )
    )
    return OK


def _stick(arguments: argparse.Namespace) -> int:
    from standmap.instruments import Stick, write_stick

    stick = Stick(reach_in=arguments.reach, distance_ft=arguments.distance)
    written = write_stick(stick, arguments.out, baf=arguments.baf, paces_per_chain=arguments.paces)
    print(
        f"A stick of {stick.length_in:g} inches for a reach of {stick.reach_in:g} in at "
        f"{stick.distance_ft:g} ft. A log on it is 16 ft and 0.3 ft of trim."
    )
    print("Print at 100 % (actual size) and lay a ruler on the check ruler before you cut.")
    for path in written.values():
        print(f"  {path}")
    return OK


def _distances(arguments: argparse.Namespace) -> int:
    from standmap.cruise import circle_acres
    from standmap.errors import DomainError
    from standmap.instruments import TABLE_DBH_IN, TABLE_SLOPES_PCT, distance_text

    dbh: Sequence[float] = TABLE_DBH_IN
    if arguments.dbh is not None:
        low, high = arguments.dbh
        if not 0 < low <= high:
            raise DomainError(f"--dbh runs from LOW up to HIGH inches; got {low:g} to {high:g}.")
        dbh = [low + step for step in range(int(high - low) + 1)]
    radius = arguments.plot_radius
    print(
        distance_text(
            baf=arguments.baf,
            plot_acres=arguments.plot_acres if radius is None else float(circle_acres(radius)),
            dbh_in=dbh,
            slope_pct=TABLE_SLOPES_PCT if arguments.slope is None else arguments.slope,
            to=arguments.to,
        )
    )
    return OK


def _layout(arguments: argparse.Namespace) -> int:
    from standmap.appraisal import appraise
    from standmap.layout import check_layout_folder, lay_out_cruise, write_layout
    from standmap.tract import read_tract

    check_layout_folder(arguments.out)  # before the work, so that a bad folder is known at once
    appraisal = appraise(read_tract(arguments.tract))
    layout = lay_out_cruise(
        appraisal,
        error_pct=arguments.error,
        plots=arguments.plots,
        method=arguments.method,
        by=arguments.by,
        off_edge_ft=arguments.off_edge,
        seed=arguments.seed,
        start_lon_lat=None if arguments.start is None else tuple(arguments.start),
        cost_per_plot_usd=arguments.cost,
    )
    written = write_layout(layout, arguments.out, paces_per_chain=arguments.paces)
    _print_problems(appraisal.problems)
    print(layout.summary())
    for path in written.values():
        print(f"  {path}")
    return OK


def _units(arguments: argparse.Namespace) -> int:
    from standmap.report import unit_list
    from standmap.tract import read_tract

    if not arguments.propose:
        from standmap.appraisal import appraise

        appraisal = appraise(read_tract(arguments.tract))
        _print_problems(appraisal.problems)
        print(unit_list.units_text(appraisal))
        return OK
    from standmap.steps.proposals import propose

    unit_list.check_proposal_folder(arguments.out)  # before the work
    limits = {"min_acres": arguments.min_acres, "max_acres": arguments.max_acres}
    tract = read_tract(arguments.tract)
    found = propose(tract, **limits)
    written = unit_list.write_proposal(found, arguments.out, tract=tract.name)
    _print_problems(tract.problems)
    print(unit_list.proposal_text(found, **limits))
    for path in written.values():
        print(f"  {path}")
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
