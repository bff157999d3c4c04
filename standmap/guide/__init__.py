"""The guide: short Markdown pages, shown by ``standmap guide`` and linked from the report."""

from __future__ import annotations

from difflib import get_close_matches
from importlib import resources

from standmap.errors import DomainError


def topics() -> dict[str, str]:
    """Return the guide's topics and their titles, in alphabetical order.

    Examples
    --------
    >>> "tally" in topics()
    True
    """
    pages = sorted(
        (p for p in resources.files(__name__).iterdir() if p.name.endswith(".md")),
        key=lambda p: p.name,
    )
    return {
        p.name.removesuffix(".md"): p.read_text(encoding="utf-8").splitlines()[0].lstrip("# ")
        for p in pages
    }


def page(topic: str) -> str:
    """Return a guide page as Markdown.

    Raises
    ------
    DomainError
        If there is no such topic; the nearest is named.
    """
    known = topics()
    name = topic.strip().lower()
    if name not in known:
        near = get_close_matches(name, list(known), n=1)
        hint = f" Did you mean '{near[0]}'?" if near else ""
        raise DomainError(f"no guide page {topic!r}.{hint} Topics: {', '.join(known)}.")
    return (resources.files(__name__) / f"{name}.md").read_text(encoding="utf-8")
