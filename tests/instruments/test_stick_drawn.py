"""The printed stick, measured: the drawing operators of the PDF and of the SVG, in inches."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from matplotlib.transforms import Bbox
from pypdf import PdfReader
from pypdf.generic import ContentStream

from standmap import cli, commands
from standmap.errors import OutputError
from standmap.instruments import Paper, Stick, paper_size_in, write_stick
from standmap.instruments.drawing import in_style
from standmap.instruments.files import figures

POINTS_PER_IN = 72.0
WITHIN_IN = 0.01
LEFT_IN, JOIN_IN, OVERLAP_IN = 0.6, 9.0, 0.6
DIAMETER_TOP_IN, HEIGHT_TOP_IN, FACE_IN = 6.55, 4.35, 1.2
RULER_AT_IN = 1.1
PRINTABLE_IN = 0.25  # what most printers leave blank; common practice, no source

Segment = tuple[float, float, float, float]


@pytest.fixture(scope="module", params=[(25.0, 66.0), (33.5, 99.0)], ids=["25in", "33in"])
def stick(request: pytest.FixtureRequest) -> Stick:
    reach, distance = request.param
    return Stick(reach_in=reach, distance_ft=distance)


@pytest.fixture(scope="module")
def folder(stick: Stick, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("stick") / "out"
    write_stick(stick, out, baf=20, paces_per_chain=12.5)
    return out


def segments(reader: PdfReader, page: int) -> Iterator[Segment]:
    """Yield the straight strokes of a page, in inches, whatever the transformation in force."""
    now, kept, start, end = np.eye(3), [], (0.0, 0.0), (0.0, 0.0)
    content = ContentStream(reader.pages[page].get_contents(), reader)
    for operands, operator in content.operations:
        numbers = [float(v) for v in operands] if operator in (b"m", b"l", b"cm") else []
        if operator == b"q":
            kept.append(now)
        elif operator == b"Q":
            now = kept.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = numbers
            now = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ now
        elif operator == b"m":
            start = (numbers[0], numbers[1])
        elif operator == b"l":
            end = (numbers[0], numbers[1])
        elif operator == b"S":
            points = np.array([[*start, 1.0], [*end, 1.0]]) @ now / POINTS_PER_IN
            yield (*points[0, :2], *points[1, :2])


def ticks(reader: PdfReader, page: int, edge_in: float) -> np.ndarray:
    """Return where upright strokes shorter than the face leave an edge of it."""
    found = [
        x0
        for x0, y0, x1, y1 in segments(reader, page)
        if abs(x0 - x1) < 1e-6 and abs(y0 - edge_in) < 1e-3 and abs(y1 - y0) < FACE_IN - 0.1
    ]
    return np.sort(np.array(found))


def shown(marks: np.ndarray, page: int, pages: int, length_in: float) -> np.ndarray:
    start = page * JOIN_IN
    end = length_in if page == pages - 1 else start + JOIN_IN + OVERLAP_IN
    return np.sort(marks[(marks >= start) & (marks <= end)] - start + LEFT_IN)


class TestPdf:
    @pytest.mark.parametrize(
        ("scale", "edge_in"),
        [
            ("dbh_in", DIAMETER_TOP_IN),
            ("saw_logs", HEIGHT_TOP_IN),
            ("height_ft", HEIGHT_TOP_IN - FACE_IN),
        ],
    )
    def test_every_mark_and_no_other_is_where_the_formula_puts_it(
        self, stick: Stick, folder: Path, scale: str, edge_in: float
    ) -> None:
        reach, off = stick.reach_in, stick.distance_ft
        every = stick.graduations().query("scale == @scale")["value"].to_numpy()
        # Worked out here afresh, not taken from the package.
        expected = {
            "dbh_in": every * np.sqrt(reach / (reach + every)),
            "saw_logs": (np.floor(every) * 16.3 + (every % 1 > 0) * 8.3) * reach / off,
            "height_ft": every * reach / off,
        }[scale]
        reader = PdfReader(folder / "stick.pdf")
        pages = len(reader.pages) - 3
        met = 0
        for page in range(pages):
            here = shown(expected, page, pages, stick.length_in)
            np.testing.assert_allclose(ticks(reader, page, edge_in), here, rtol=0, atol=WITHIN_IN)
            met += len(here)
        assert met >= len(expected)

    def test_on_a4_the_marks_and_the_ruler_stand_where_they_do_on_letter(
        self, stick: Stick, folder: Path, tmp_path: Path
    ) -> None:
        write_stick(stick, tmp_path, baf=20, paces_per_chain=12.5, paper="a4")
        letter, a4 = PdfReader(folder / "stick.pdf"), PdfReader(tmp_path / "stick.pdf")
        boxes = [(float(p.mediabox.width), float(p.mediabox.height)) for p in a4.pages]
        upright = (210 / 25.4 * POINTS_PER_IN, 297 / 25.4 * POINTS_PER_IN)  # ISO 216
        for page, box in enumerate(boxes):
            on_its_side = page < len(boxes) - 3
            assert box == pytest.approx(upright[::-1] if on_its_side else upright, abs=0.01)
        for page in range(len(boxes) - 3):
            for edge in (DIAMETER_TOP_IN, HEIGHT_TOP_IN, HEIGHT_TOP_IN - FACE_IN, RULER_AT_IN):
                found = ticks(a4, page, edge)
                np.testing.assert_allclose(
                    found, ticks(letter, page, edge), rtol=0, atol=WITHIN_IN / 10
                )
                assert len(found) and found.max() < upright[1] / POINTS_PER_IN - 0.4

    @pytest.mark.parametrize("paper", ["letter", "a4"])
    def test_nothing_is_printed_off_the_page(self, stick: Stick, paper: Paper) -> None:
        with in_style():
            for page in figures(stick, 20, 12.5, paper):
                wide, high = page.get_size_inches()
                assert sorted((wide, high)) == pytest.approx(sorted(paper_size_in(paper)))
                drawn = [*page.axes[0].texts, *page.axes[0].lines]
                ink = Bbox.union([d.get_window_extent() for d in drawn])
                low, top = np.array([ink.p0, ink.p1]) / page.dpi
                assert low.min() >= PRINTABLE_IN
                assert np.all(top <= np.array([wide, high]) - PRINTABLE_IN)

    def test_the_pages_are_letter_paper(self, stick: Stick, folder: Path) -> None:
        sizes = [
            (float(p.mediabox.width), float(p.mediabox.height))
            for p in PdfReader(folder / "stick.pdf").pages
        ]
        assert sizes == [(792, 612)] * (len(sizes) - 3) + [(612, 792)] * 3
        assert len(sizes) == (6 if stick.length_in < 27 else 7)

    def test_the_check_ruler_is_six_inches_on_every_page_of_the_stick(self, folder: Path) -> None:
        reader = PdfReader(folder / "stick.pdf")
        for page in range(len(reader.pages) - 3):
            found = ticks(reader, page, RULER_AT_IN)
            np.testing.assert_allclose(
                found - found[0], np.arange(49) / 8, rtol=0, atol=WITHIN_IN / 10
            )

    def test_joined_pages_meet(self, stick: Stick, folder: Path) -> None:
        # A join stands at the same place of the stick on both pages: 9 inches on from the left edge
        # of one, at the left edge of the next.
        reader = PdfReader(folder / "stick.pdf")
        for page in (0, 1):
            full = [
                s[0] for s in segments(reader, page)
                if abs(s[0] - s[2]) < 1e-6 and abs(abs(s[1] - s[3]) - FACE_IN) < 1e-3
            ]  # fmt: skip
            assert sum(abs(x - (LEFT_IN + JOIN_IN)) < WITHIN_IN for x in full) == 2
            assert sum(abs(x - LEFT_IN) < WITHIN_IN for x in full) == 2

    def test_cautions_and_figures_are_on_the_pages(self, stick: Stick, folder: Path) -> None:
        text = "\n".join(p.extract_text() for p in PdfReader(folder / "stick.pdf").pages)
        for words in ("Check ruler", "Look up before you look", "16.3 ft", "BAF 20", "12.5 paces"):
            assert words in text
        assert f"reach of {stick.reach_in:g} in" in text


class TestSvg:
    def test_every_mark_is_where_the_formula_puts_it(self, stick: Stick, folder: Path) -> None:
        root = ET.parse(folder / "stick.svg").getroot()
        space = {"s": "http://www.w3.org/2000/svg"}
        width = float(root.attrib["width"].removesuffix("pt"))
        box = [float(v) for v in root.attrib["viewBox"].split()]
        assert box == [0, 0, pytest.approx(width), pytest.approx(360.0)]
        place = {}
        for group in root.iterfind(".//s:g[@id]", space):
            path = group.find("s:path", space)
            if path is None:
                continue
            drawn = re.fullmatch(r"\s*M ([\d.]+) [\d.]+\s+L ([\d.]+) [\d.]+\s*", path.attrib["d"])
            if drawn and drawn[1] == drawn[2]:
                place[group.attrib["id"]] = float(drawn[1]) / POINTS_PER_IN
        zero = place["zero-diameter"]
        assert place["zero-height"] == zero
        marks = stick.graduations()
        for scale, value, mark, _ in marks.itertuples(index=False):
            assert place[f"{scale}-{value:g}"] - zero == pytest.approx(mark, abs=WITHIN_IN)
        assert place["end-diameter"] - zero == pytest.approx(stick.length_in, abs=WITHIN_IN)
        assert place["ruler-6"] - place["ruler-0"] == pytest.approx(6, abs=WITHIN_IN / 10)
        drawn_marks = [i for i in place if re.match("dbh_in|saw_logs|height_ft", i)]
        assert len(drawn_marks) == len(marks)


class TestFiles:
    def test_the_same_stick_gives_the_same_bytes(self, stick: Stick, tmp_path: Path) -> None:
        for name in ("one", "two"):
            write_stick(stick, tmp_path / name)
        for file in ("stick.pdf", "stick.svg", "stick_marks.csv"):
            assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()

    def test_an_earlier_stick_is_replaced_and_other_files_are_kept(self, tmp_path: Path) -> None:
        write_stick(Stick(reach_in=25, distance_ft=66), tmp_path)
        (tmp_path / "mine.txt").write_text("mine")
        before = (tmp_path / "stick.svg").read_bytes()
        write_stick(Stick(reach_in=26, distance_ft=66), tmp_path)
        assert (tmp_path / "stick.svg").read_bytes() != before
        assert (tmp_path / "mine.txt").read_text() == "mine"
        assert not [p for p in tmp_path.parent.iterdir() if "unfinished" in p.name]

    def test_somebody_elses_file_is_never_written_over(self, tmp_path: Path) -> None:
        (tmp_path / "stick.pdf").write_text("a walking stick")
        with pytest.raises(OutputError, match=r"already holds a 'stick\.pdf'"):
            write_stick(Stick(reach_in=25, distance_ft=66), tmp_path)
        assert (tmp_path / "stick.pdf").read_text() == "a walking stick"
        assert [p.name for p in tmp_path.iterdir()] == ["stick.pdf"]

    def test_a_file_is_no_folder(self, tmp_path: Path) -> None:
        (tmp_path / "out").write_text("")
        with pytest.raises(OutputError, match="is a file, not a folder"):
            write_stick(Stick(reach_in=25, distance_ft=66), tmp_path / "out")


class TestCommand:
    def test_it_writes_and_says_how_to_print(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        words = ["stick", "--reach", "25", "--distance", "66", "--baf", "10", "--paces", "12.5"]
        assert cli.main([*words, "--out", str(tmp_path / "out")]) == commands.OK
        out = capsys.readouterr().out
        assert "Print at 100 %" in out and "16 ft and 0.3 ft of trim" in out
        assert (tmp_path / "out/stick.pdf").read_bytes().startswith(b"%PDF")

    def test_a_reach_nobody_has_is_refused(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        words = ["stick", "--reach", "60", "--distance", "66", "--out", str(tmp_path / "out")]
        assert cli.main(words) == commands.BAD_INPUT
        assert "Have someone tape it" in capsys.readouterr().err
        assert not (tmp_path / "out").exists()
