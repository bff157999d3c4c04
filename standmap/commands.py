"""What each command does, and how it tells. With `cli`, the only module that prints."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from standmap.errors import OutputError, Problem, problem_lines

if TYPE_CHECKING:
    from rich.console import Console

OK: Final = 0
BAD_INPUT: Final = 1
FAILURE: Final = 3
NOT_WRITTEN: Final = 4
UNIT_CONFLICT: Final = 5
NOT_SETTLED: Final = 6
INTERRUPTED: Final = 130

STEEPEST_TAPE_PCT: Final = 200
"""Steeper than anyone tapes a tree: a number above it is taken for a slip."""

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


def _console(*, error: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=error, highlight=False, soft_wrap=True)


def complain(message: str) -> None:
    """Say what went wrong, for people."""
    print(f"standmap: {message}", file=sys.stderr)


def print_problems(problems: Sequence[Problem]) -> None:
    """Print problems, errors first."""
    for severity in ("error", "warning"):
        some = [p for p in problems if p.severity == severity]
        if not some:
            continue
        head = "To mend before this tract can be appraised" if severity == "error" else "To know"
        print(f"{head} ({len(some)}):", file=sys.stderr)
        for line in problem_lines(some):
            print(f"  {line}", file=sys.stderr)


def sample(arguments: argparse.Namespace) -> int:
    """Write the sample tract."""
    from standmap.tract.sample import write_sample

    written = write_sample(arguments.dir)
    print(f"Wrote the sample tract ({len(written)} files) to {arguments.dir}")
    print(f"Next: standmap appraise {arguments.dir}")
    return OK


def check(arguments: argparse.Namespace) -> int:
    """Read and check a tract; compute nothing."""
    from standmap.tract import read_tract, remarks

    tract = read_tract(arguments.tract)
    print_problems(remarks(tract))
    print(tract)
    touched = len(tract.ledger)
    print(
        f"Ready to appraise. {touched} input row{'' if touched == 1 else 's'} changed, set aside "
        "or noted; the appraisal's ledger.csv lists each."
    )
    return OK


def appraise(arguments: argparse.Namespace) -> int:
    """Appraise a tract and write the results."""
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
    print_problems(appraisal.problems)
    print(appraisal.summary())
    print(f"Results in {arguments.out}:")
    for name in _LISTED:
        if name in written:
            print(f"  {written[name]}")
    return OK


def together(arguments: argparse.Namespace) -> int:
    """Appraise several tracts and add them up."""
    from standmap.appraisal import appraise
    from standmap.report.together import together_table, together_text
    from standmap.tract import read_tract

    made = [appraise(read_tract(path)) for path in arguments.tracts]
    text = together_text(made)
    if arguments.csv is not None:
        try:
            together_table(made).to_csv(arguments.csv, index=False)
        except OSError as error:
            raise OutputError(
                f"{arguments.csv} cannot be written: {error.strerror or error}."
            ) from error
    for one in made:
        if one.problems:
            print(
                f"{one.name}: {len(one.problems)} warning{'' if len(one.problems) == 1 else 's'}; "
                "its own appraisal lists them.",
                file=sys.stderr,
            )
    print(text)
    return OK


def buffers(arguments: argparse.Namespace) -> int:
    """Check every harvest unit against what must stay."""
    from standmap.report.buffer_check import check_check_folder, check_text, write_check
    from standmap.steps.land import lay_out
    from standmap.tract import read_tract

    if arguments.out is not None:
        check_check_folder(arguments.out)  # before the work, so that a bad folder is known at once
    tract = read_tract(arguments.tract)
    # What is known already, before the ground: a stream layer elsewhere would stop it there.
    told = ("streams", "buffers", "road_setbacks")
    water = [t.file for t in (tract.settings.streams, tract.settings.water) if t is not None]
    print_problems(
        [p for p in tract.problems if (p.column or "").startswith(told) or p.file in water]
    )
    land = lay_out(tract)
    print_problems(land.problems)
    print(check_text(tract, land))
    if arguments.out is not None:
        for path in write_check(tract, land, arguments.out).values():
            print(f"  {path}")
    if not arguments.strict:
        return OK
    return UNIT_CONFLICT if land.has_conflict else OK if land.is_settled else NOT_SETTLED


def log(arguments: argparse.Namespace) -> int:
    """Scale one log."""
    from standmap.single import scale_log

    print(scale_log(arguments.dib, arguments.length, large_dib_in=arguments.large_dib))
    return OK


def tree(arguments: argparse.Namespace) -> int:
    """Cut one tree into logs."""
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


def stick(arguments: argparse.Namespace) -> int:
    """Draw the scale stick."""
    from standmap.instruments import Stick, write_stick

    stick = Stick(reach_in=arguments.reach, distance_ft=arguments.distance)
    written = write_stick(
        stick,
        arguments.out,
        baf=arguments.baf,
        paces_per_chain=arguments.paces,
        paper=arguments.paper,
    )
    print(
        f"A stick of {stick.length_in:g} inches for a reach of {stick.reach_in:g} in at "
        f"{stick.distance_ft:g} ft. A log on it is 16 ft and 0.3 ft of trim."
    )
    print("Print at 100 % (actual size) and lay a ruler on the check ruler before you cut.")
    for path in written.values():
        print(f"  {path}")
    return OK


def distances(arguments: argparse.Namespace) -> int:
    """Print limiting distances or plot radii."""
    from standmap.cruise import circle_acres
    from standmap.errors import DomainError
    from standmap.instruments import TABLE_DBH_IN, TABLE_SLOPES_PCT, distance_text

    dbh: Sequence[float] = TABLE_DBH_IN
    if arguments.dbh is not None:
        low, high = arguments.dbh
        if not 0 < low <= high:
            raise DomainError(f"--dbh runs from LOW up to HIGH inches; got {low:g} to {high:g}.")
        if arguments.baf is None and arguments.to == "centre":
            raise DomainError(
                "A plot taped to the middle of the tree has one distance for every diameter: "
                "leave out --dbh, or add --to face."
            )
        dbh = [low + step for step in range(int(high - low) + 1)]
    for slope in arguments.slope or ():
        if not 0 <= slope <= STEEPEST_TAPE_PCT:
            raise DomainError(
                f"--slope is in percent, from 0 to {STEEPEST_TAPE_PCT}; got {slope:g}."
            )
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


def layout(arguments: argparse.Namespace) -> int:
    """Lay out the next cruise, or the first."""
    from standmap.layout import check_layout_folder, lay_out_cruise, write_layout
    from standmap.tract import is_uncruised, read_ground, read_tract

    check_layout_folder(arguments.out)  # before the work, so that a bad folder is known at once
    stated: dict[str, Any] = {
        name: _by_stratum(getattr(arguments, name), option)
        for name, option in (
            ("cv_pct", "--cv"),
            ("per_acre", "--per-acre"),
            ("cost_usd", "--cost"),
        )
    }
    if is_uncruised(arguments.tract):
        source: Any = read_ground(arguments.tract)
    else:
        from standmap.appraisal import appraise

        source = appraise(read_tract(arguments.tract))
    layout = lay_out_cruise(
        source,
        error_pct=arguments.error,
        plots=arguments.plots,
        budget_usd=arguments.budget,
        method=arguments.method,
        by=arguments.by,
        off_edge_ft=arguments.off_edge,
        seed=arguments.seed,
        start_lon_lat=None if arguments.start is None else tuple(arguments.start),
        **stated,
    )
    written = write_layout(
        layout,
        arguments.out,
        paces_per_chain=arguments.paces,
        declination_deg=arguments.declination,
        paper=arguments.paper,
    )
    print_problems(layout.basis.problems)
    print(layout.summary())
    for path in written.values():
        print(f"  {path}")
    return OK


def _by_stratum(words: Sequence[str] | None, option: str) -> dict[str, float] | None:
    """Return figures by stratum from ``60`` or ``"upland oak=60" pine=45``; None for none."""
    from standmap.errors import DomainError
    from standmap.tract.layout_settings import EVERY

    if words is None:
        return None
    figures: dict[str, float] = {}
    for word in words:
        stratum, mark, figure = word.rpartition("=")
        try:
            figures[stratum if mark else EVERY] = float(figure)
        except ValueError:
            raise DomainError(
                f"{option} takes a number for all strata, or STRATUM=NUMBER for each; got "
                f"{word!r}. Quote a stratum of several words, and name the tract before the "
                "options."
            ) from None
    return figures


def units(arguments: argparse.Namespace) -> int:
    """List the harvest units, or propose some."""
    from standmap.report import unit_list
    from standmap.tract import read_tract

    if not arguments.propose:
        from standmap.appraisal import appraise

        appraisal = appraise(read_tract(arguments.tract))
        print_problems(appraisal.problems)
        print(unit_list.units_text(appraisal))
        return OK
    from standmap.steps.proposals import propose

    unit_list.check_proposal_folder(arguments.out)  # before the work
    limits = {"min_acres": arguments.min_acres, "max_acres": arguments.max_acres}
    tract = read_tract(arguments.tract)
    found = propose(tract, **limits)
    written = unit_list.write_proposal(found, arguments.out, tract=tract.name)
    print_problems(tract.problems)
    print(unit_list.proposal_text(found, **limits))
    for path in written.values():
        print(f"  {path}")
    return OK


def guide(arguments: argparse.Namespace) -> int:
    """Show a guide page, or list them."""
    from standmap.guide import page, topics

    if arguments.topic is None:
        print("Guide pages (standmap guide TOPIC):")
        width = max(map(len, topics()))
        for topic, title in topics().items():
            print(f"  {topic:<{width}}  {title}")
        return OK
    text = page(arguments.topic)
    if sys.stdout.isatty():
        from rich.markdown import Markdown

        _console().print(Markdown(text))
    else:
        print(text)
    return OK
