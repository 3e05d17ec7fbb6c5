"""The manual as web pages: `sphinx-build -W --keep-going -n docs DIRECTORY` (strict: any warning stops it).

Plain theme, no font, script or picture from elsewhere. The desk's Help shows the same Markdown by itself.
"""

from __future__ import annotations

import re
from typing import Any

project = "pullbook"
root_doc = "manual/index"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
include_patterns = ["manual/**"]
exclude_patterns = ["manual/pictures/**"]
myst_heading_anchors = 3
nitpicky = True
html_theme = "alabaster"
html_title = "pullbook: the manual"
html_theme_options = {"page_width": "62rem", "show_powered_by": False}
html_copy_source = False
html_show_copyright = False
html_use_index = False


def _with_contents(app: Any, name: str, source: list[str]) -> None:
    """The pages that the first one links to, in its order, as the site's contents."""
    if name == root_doc:
        pages = dict.fromkeys(re.findall(r"\]\(([\w-]+)\.md", source[0]))
        source[0] += "\n\n```{toctree}\n:hidden:\n\n" + "\n".join(pages) + "\n```\n"


def setup(app: Any) -> None:
    app.connect("source-read", _with_contents)
