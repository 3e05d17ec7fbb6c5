"""The manual as web pages: `sphinx-build -W --keep-going -n docs /tmp/manual` (strict: any warning stops it).

Plain theme, no font, script or picture from elsewhere. The desk's Help shows the same Markdown by itself.
"""

project = "pullbook"
root_doc = "manual/index"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
include_patterns = ["manual/**"]
exclude_patterns = ["manual/pictures/**"]
myst_heading_anchors = 3
nitpicky = True
html_theme = "basic"
html_title = "pullbook: the manual"
html_copy_source = False
html_show_sphinx = False
html_show_copyright = False
html_use_index = False
html_domain_indices = False
