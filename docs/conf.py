"""Sphinx builds these pages: ``sphinx-build -W docs build/docs``, after ``pip install '.[docs]'``."""

from __future__ import annotations

import re
from importlib.metadata import version as version_of
from pathlib import Path
from typing import Any

from docutils import nodes
from docutils.utils.math.latex2mathml import tex2mathml

project = "linelab"
version = release = version_of("linelab")
copyright = "linelab contributors, MIT licence"
language = "en-GB"

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
myst_enable_extensions = ["dollarmath", "colon_fence"]
myst_heading_anchors = 3
suppress_warnings = ["myst.strikethrough"]

autodoc_typehints = "none"  # types are in the docstrings
autodoc_member_order = "bysource"
autodoc_preserve_defaults = True
toc_object_entries = False
napoleon_google_docstring = False
napoleon_use_ivar = True
napoleon_use_rtype = False
napoleon_preprocess_types = True
# Types named in docstrings become links to where the reference has them.
_REFERENCE = (Path(__file__).parent / "api.rst").read_text("utf-8")
_TYPES = re.findall(r"^\.\. autoclass:: (.+\.(\w+))$", _REFERENCE, re.MULTILINE)
napoleon_type_aliases = {name: f":class:`~{path}`" for path, name in _TYPES}

html_theme = "alabaster"
html_theme_options = {
    "description": "Reads a kart lap: the minimum-time line, and where a driver's recorded lap loses time against it",
    "page_width": "72em",
    "body_max_width": "54em",
    "font_family": "system-ui, sans-serif",
    "font_size": "1rem",
}
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html"]}
html_copy_source = False
html_math_renderer = "mathml"


def _inline(writer: Any, node: nodes.math) -> None:
    """A formula in a line of text as MathML, which browsers draw themselves: no script, no network."""
    writer.body.append(tex2mathml(node.astext()))
    raise nodes.SkipNode


def _displayed(writer: Any, node: nodes.math_block) -> None:
    """A formula of its own."""
    writer.body.append(f'<div class="math">{tex2mathml(node.astext(), as_block=True)}</div>')
    raise nodes.SkipNode


def setup(app: Any) -> None:
    """Make MathML known to Sphinx."""
    app.add_html_math_renderer("mathml", (_inline, None), (_displayed, None))
