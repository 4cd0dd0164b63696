"""Serves the one chart script from the installed package, so that no foreign script is in the repository."""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import plotly
from django.contrib.staticfiles.finders import BaseFinder
from django.core.checks import CheckMessage, Error
from django.core.files.storage import FileSystemStorage

PREFIX = "vendor"
SCRIPT = "plotly.min.js"
PACKAGE_DATA = Path(plotly.__file__).parent / "package_data"


class PlotlyFinder(BaseFinder):
    """Finds ``vendor/plotly.min.js`` and nothing else: the folder beside it holds data sets and notebooks."""

    def __init__(self, app_names: Iterable[str] | None = None, *args: Any, **kwargs: Any) -> None:
        self.storage = FileSystemStorage(location=PACKAGE_DATA)
        # collectstatic and whitenoise both put a storage's prefix before its paths.
        self.storage.prefix = PREFIX  # type: ignore[attr-defined]

    def check(self, **kwargs: Any) -> list[CheckMessage]:
        if self.storage.exists(SCRIPT):
            return []
        return [
            Error(
                f"The chart script {SCRIPT} is not in the installed plotly package.",
                hint="Reinstall plotly; without its script, charts stay small drawings.",
                id="clubcoach.E090",
            )
        ]

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> str | list[str]:
        if kwargs:
            find_all = self._check_deprecated_find_param(find_all=find_all, **kwargs)
        found = [self.storage.path(SCRIPT)] if path == f"{PREFIX}/{SCRIPT}" else []
        if find_all:
            return found
        return found[0] if found else []

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterator[tuple[str, FileSystemStorage]]:
        if self.storage.exists(SCRIPT):
            yield SCRIPT, self.storage
