"""What is put into a page is escaped, and a page that lacks something is a fault, not a gap."""

import pytest
from jinja2 import TemplateNotFound, UndefinedError

from blend.pages.fill_template import data_url, markup, template, template_text


def test_what_is_put_in_is_escaped():
    environment = template("report.html").environment
    assert environment.from_string("{{ name }}").render(name="<b>") == "&lt;b&gt;"


def test_what_we_made_ourselves_goes_in_as_it_is():
    environment = template("report.html").environment
    assert environment.from_string("{{ name }}").render(name=markup("<b>")) == "<b>"
    assert data_url(b"\0\1", "png") == "data:image/png;base64,AAE="


def test_what_is_missing_is_a_fault():
    with pytest.raises(UndefinedError):
        template("report.html").render()


def test_a_file_is_given_as_it_stands():
    assert "function" in template_text("explore-engine.js")
    with pytest.raises(TemplateNotFound):
        template_text("none.js")
