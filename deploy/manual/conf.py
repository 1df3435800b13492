"""How Sphinx builds the manual."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))  # the program that the manual is made from

project = "Sillkeep"
copyright = "Sillkeep, MIT licence"  # noqa: A001  Sphinx' own name
html_title = "Sillkeep manual"
html_short_title = "Manual"
language = "en"
extensions = ["myst_parser", "deploy.manual.blocks"]
myst_enable_extensions = ["deflist", "attrs_block"]
myst_heading_anchors = 3
html_theme = "basic"
html_copy_source = False
html_show_sourcelink = False
html_use_index = False
html_permalinks = False
templates_path = ["look"]
html_static_path = ["look/static"]
html_css_files = ["manual.css"]
highlight_language = "none"
smartquotes = False
