"""How the pages are built: python -m sphinx -W --keep-going -n -b html docs .docs."""

from volest import __version__

project = "volest"
author = "the volest authors"
copyright = "2026, the volest authors"  # noqa: A001 - the generator reads this very name
version = release = __version__

extensions = ["myst_parser"]
root_doc = "index"
# README.md is the start page on a code host; index.rst takes it in, with the list of all pages.
exclude_patterns = ["README.md"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
nitpicky = True
# A link to a heading of another page fails if that heading is gone.
myst_heading_anchors = 4

# A plain theme that comes with the generator: no fonts, scripts or badges from elsewhere.
html_theme = "alabaster"
html_theme_options = {
    "description": "how much stone to mix before the pour",
    "fixed_sidebar": True,
    "show_powered_by": False,
    "font_family": "sans-serif",
    "head_font_family": "sans-serif",
    "page_width": "70rem",
    "code_font_size": "0.8em",
    "sidebar_collapse": False,
}
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html"]}
html_show_sourcelink = False
html_copy_source = False
