"""Every public name says what it takes, gives and refuses, in NumPy style, with examples that run."""

from __future__ import annotations

import doctest
import functools
import inspect
import re

import pytest
from widely import widely

import linelab


def sections(name: str) -> dict[str, str]:
    """Sections of a public name's docstring by heading; the summary is under ""."""
    text = inspect.cleandoc(getattr(linelab, name).__doc__ or "")
    parts = re.split(r"^(\w+)\n-+$", text, flags=re.MULTILINE)
    return {"": parts[0].strip(), **dict(zip(parts[1::2], parts[2::2]))}


#: Examples that ask for the same review share it.
one_review = functools.cache(linelab.review)


@pytest.mark.parametrize("name", linelab.__all__)
def test_docstrings_have_their_sections(name):
    found, value = sections(name), getattr(linelab, name)
    assert found[""].split("\n")[0].endswith("."), "a summary of one line"
    assert ">>> " in found.get("Examples", ""), "an example"
    if inspect.isclass(value):
        assert "Parameters" in found or "Attributes" in found or issubclass(value, linelab.LinelabError)
        return
    signature = inspect.signature(value)
    for parameter in signature.parameters:
        assert re.search(rf"^[\w, ]*\b{parameter}\b[\w, ]* : ", found["Parameters"], re.MULTILINE), parameter
    assert ("Returns" in found) == (signature.return_annotation not in (None, "None"))
    assert ("Raises" in found) == bool(signature.parameters)


#: Studies of many solves.
LONG = {"MarginLap", "Worth", "compare_sessions", "compare_setups", "margin_lap", "off_groove_costs", "scatter_of"}
LONG |= {"track_sheet", "what_pays"}


@pytest.mark.parametrize("name", widely(["", *linelab.__all__], {"", *linelab.__all__} - LONG))
def test_examples_run(name, tmp_path, monkeypatch):
    """In an empty folder: the module's own, and those of each public name."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(linelab, "review", one_review)
    value = getattr(linelab, name) if name else linelab
    runner = doctest.DocTestRunner(optionflags=doctest.REPORT_NDIFF)
    test = doctest.DocTestParser().get_doctest(inspect.getdoc(value) or "", {}, name or "linelab", None, 0)
    report: list[str] = []
    runner.run(test, out=report.append)
    assert test.examples
    assert not runner.failures, "".join(report)
