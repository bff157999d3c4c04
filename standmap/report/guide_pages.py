"""Guide pages as the report and its companions carry them inside."""

from __future__ import annotations

import re

import markdown
from markupsafe import Markup

from standmap.guide import page as guide_page
from standmap.guide import topics as guide_topics


def guide_sections(topics: tuple[str, ...]) -> list[tuple[str, str, Markup]]:
    """Return guide pages as topic, title and HTML, their headings set below the report's.

    Examples
    --------
    >>> [(topic, title, body)] = guide_sections(("buffers",))
    >>> topic, "<h1>" in body
    ('buffers', False)
    """
    known = guide_topics()
    sections = []
    for topic in topics:
        text = guide_page(topic).split("\n", 1)[1]  # its title heads the section
        html = markdown.markdown(text, extensions=["tables", "fenced_code", "sane_lists"])
        html = re.sub(r"<(/?)h([1-4])>", lambda m: f"<{m[1]}h{min(int(m[2]) + 2, 6)}>", html)
        sections.append((topic, known[topic], Markup(html)))  # our own pages, not the data
    return sections
