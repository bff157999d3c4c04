"""One file that opens with no network: everything a page needs is written inside it.

folium puts links to its scripts and styles into the head of the page. `OfflineFigure` puts the
packed copies there instead, refuses any link it has no copy of, reads the finished page for
anything that would still be fetched, and adds a policy under which the browser itself refuses to
fetch or to run anything else.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import cache
from html.parser import HTMLParser
from importlib import resources
from typing import Any, Final

from branca.element import Element, Figure, Link
from jinja2 import Environment, FunctionLoader, StrictUndefined, Template

from standmap.errors import OutputError

LEAFLET_JS: Final = "standmap:leaflet-1.9.4/leaflet.js"
LEAFLET_CSS: Final = "standmap:leaflet-1.9.4/leaflet.css"

_FETCHING: Final = {"src", "href", "srcset", "poster", "data", "action", "formaction", "background"}
_CSS_URL: Final = re.compile(r"url\(\s*['\"]?(?!data:|#)([^)'\"]+)", re.IGNORECASE)
_SCRIPT: Final = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_POLICY: Final = "<!-- policy -->"


def data_uri(content: bytes, kind: str) -> str:
    """Return bytes as an address a page can hold in itself.

    Examples
    --------
    >>> data_uri(b"hi", "text/plain")
    'data:text/plain;base64,aGk='
    """
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"


def page_json(value: object) -> str:
    r"""Return JSON that can stand inside a ``<script>`` element, whatever its strings hold.

    Examples
    --------
    >>> page_json({"stand": "</script><b>"})
    '{"stand":"\\u003c/script\\u003e\\u003cb\\u003e"}'
    """
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


@cache
def static_text(name: str) -> str:
    """Return one of our own scripts, styles or templates from ``report/static``."""
    return (resources.files("standmap.report") / "static" / name).read_text(encoding="utf-8")


@cache
def template(name: str) -> Template:
    """Return a page's template from ``report/static``, every value it prints escaped."""
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=FunctionLoader(static_text),
    )
    return environment.get_template(name)


@cache
def _packed(url: str) -> str:
    """Return the packed copy of a library file, its images written into it."""
    if not url.startswith("standmap:"):
        raise OutputError(
            f"the map asks for {url!r}, of which no copy is packed with standmap. "
            "Pack it in standmap/report/vendor or leave out the layer that needs it."
        )
    path = resources.files("standmap.report") / "vendor" / url.removeprefix("standmap:")
    text = path.read_text(encoding="utf-8")
    if url.endswith(".css"):
        folder = resources.files("standmap.report") / "vendor" / url.split(":")[1].split("/")[0]

        def inline(found: re.Match[str]) -> str:
            return f"url({data_uri((folder / found[1]).read_bytes(), 'image/png')})"

        text = text.replace("behavior: url(#default#VML);", "")  # for browsers long gone
        return re.sub(r"url\((images/[\w.-]+\.png)\)", inline, text)
    return re.sub(r"//# sourceMappingURL=\S+\s*$", "", text)


class RawHtml(Element):
    """Ready-made HTML.

    branca compiles the text of its own elements as templates, twice; names from the data must
    never be compiled, so they go in through here.
    """

    def __init__(self, html: str) -> None:
        super().__init__()
        self._html = html

    def render(self, **kwargs: Any) -> str:
        """Return the text as it is."""
        return self._html


class OfflineFigure(Figure):
    """A folium figure that holds all it needs.

    Parameters
    ----------
    title : str
        Title of the page; escaped here.
    """

    _template = Template(
        "<!DOCTYPE html>\n"
        '<html lang="en">\n'
        "<head>\n" + _POLICY + "<title>{{ this.title | e }}</title>\n"
        '<link rel="icon" href="data:,">\n'
        "{{ this.header.render(**kwargs) }}\n"
        "</head>\n"
        "<body>\n"
        "{{ this.html.render(**kwargs) }}\n"
        "<script>\n{{ this.script.render(**kwargs) }}\n</script>\n"
        "</body>\n"
        "</html>\n"
    )

    def render(self, **kwargs: Any) -> str:
        """Return the whole page.

        Raises
        ------
        OutputError
            If a link has no packed copy, or the finished page would fetch anything.
        """
        for child in self._children.values():
            child.render(**kwargs)
        for link in self.header._children.values():
            if isinstance(link, Link):
                link.code = _packed(link.url)  # type: ignore[assignment]  # printed as text
        html: str = self._template.render(this=self, kwargs={**kwargs, "embedded": True})
        return seal(html)


def seal(html: str) -> str:
    """Check that a page fetches nothing and write the policy that keeps it so.

    Parameters
    ----------
    html : str
        A page with the mark ``<!-- policy -->`` at the start of its head. Its own scripts stand
        in plain ``<script>`` elements; only those, by their hashes, may run.

    Raises
    ------
    OutputError
        If the page has no mark, or would fetch anything.
    """
    wanted = fetched(html)
    if wanted:
        raise OutputError(f"the page would fetch from outside itself: {', '.join(wanted[:5])}")
    if _POLICY not in html:
        raise OutputError("the page has no place for its security policy")
    sums = [hashlib.sha256(code.encode("utf-8")).digest() for code in _SCRIPT.findall(html)]
    allowed = " ".join(f"'sha256-{base64.b64encode(s).decode('ascii')}'" for s in sums)
    policy = (
        f"default-src 'none'; script-src {allowed or chr(39) + 'none' + chr(39)}; "
        "style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    meta = (
        f'<meta charset="utf-8">\n<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
    )
    return html.replace(_POLICY, meta, 1)


class _Reader(HTMLParser):
    """Collects what a page would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.wanted: list[str] = []
        self._style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note the addresses in a tag; a link a person may follow is not fetched."""
        self._style = tag == "style"
        for name, value in attrs:
            address = (value or "").strip()
            if name == "style":
                self.wanted += _CSS_URL.findall(address)
            followed = tag == "a" and name == "href"
            if name in _FETCHING and not followed and not address.startswith(("data:", "#")):
                self.wanted.append(address)

    def handle_data(self, data: str) -> None:
        """Note the addresses in a style sheet."""
        if self._style:
            self.wanted += _CSS_URL.findall(data)
            self.wanted += re.findall(r"@import[^;]*", data)


def fetched(html: str) -> list[str]:
    """Return every address outside itself that a page would fetch when opened.

    Examples
    --------
    >>> fetched('<img src="a.png"><style>p {background: url(b.png)}</style><a href="c">c</a>')
    ['a.png', 'b.png']
    """
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return reader.wanted


__all__ = [
    "LEAFLET_CSS",
    "LEAFLET_JS",
    "OfflineFigure",
    "RawHtml",
    "data_uri",
    "fetched",
    "page_json",
    "seal",
    "static_text",
    "template",
]
