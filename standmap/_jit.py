"""Compilation of the array kernels, with a plain-Python fallback.

Set ``STANDMAP_NO_JIT=1`` to run every kernel as ordinary Python (slow; for coverage and debugging).
Compiled code is kept on disk, beside the package or in the user's cache folder where that is
read-only, under a name made of the sources of a kernel's module and of those it imports: kernels
call kernels of other files, and numba alone would not notice a change in one of those.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

F = TypeVar("F", bound=Callable[..., Any])

JIT_ON: bool = os.environ.get("STANDMAP_NO_JIT", "") in ("", "0")

if JIT_ON:
    import hashlib
    import re

    import numba
    import platformdirs

    prange = numba.prange

    _PACKAGE = Path(__file__).parent
    _IMPORTED = re.compile(r"^from standmap\.([\w.]+) import", re.MULTILINE)

    @cache
    def _sources(module: Path) -> frozenset[Path]:
        """Return a kernel module and every module of ours it imports, near or far."""
        found = {module}
        waiting = [module]
        while waiting:
            text = waiting.pop().read_text(encoding="utf-8")
            for name in _IMPORTED.findall(text):
                source = _PACKAGE.joinpath(*name.split(".")).with_suffix(".py")
                if source.is_file() and source not in found:
                    found.add(source)
                    waiting.append(source)
        return frozenset(found)

    @cache
    def _cache_folder(module: Path) -> str:
        """Return the folder for a module's compiled code; blank where none can be written."""
        digest = hashlib.sha256()
        for source in sorted(_sources(module)):
            digest.update(source.read_bytes())
        name = f"kernels-{digest.hexdigest()[:12]}"
        for base in (_PACKAGE / "__pycache__", Path(platformdirs.user_cache_dir("standmap"))):
            try:
                (base / name).mkdir(parents=True, exist_ok=True)
            except OSError:
                continue
            if os.access(base / name, os.W_OK):
                return str(base / name)
        return ""

    def njit(*, parallel: bool = False, inline: str = "never") -> Callable[[F], F]:
        """Compile a kernel in nopython mode with an on-disk cache."""

        def wrap(function: F) -> F:
            before = numba.config.CACHE_DIR
            numba.config.CACHE_DIR = _cache_folder(Path(function.__code__.co_filename))
            try:
                made = numba.njit(cache=True, parallel=parallel, inline=inline)(function)
            except RuntimeError:  # no writable folder anywhere: compile for this run only
                made = numba.njit(parallel=parallel, inline=inline)(function)
            finally:
                numba.config.CACHE_DIR = before
            return made  # type: ignore[no-any-return]

        return wrap

else:
    prange = range  # type: ignore[assignment,misc,unused-ignore]

    def njit(*, parallel: bool = False, inline: str = "never") -> Callable[[F], F]:
        """Leave the kernel as ordinary Python."""

        def wrap(function: F) -> F:
            return function

        return wrap
