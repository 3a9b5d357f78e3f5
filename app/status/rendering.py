"""A status page as HTML, from its document alone."""

from functools import cache
from pathlib import Path

from jinja2 import Template

from app.shared.places import shipped
from app.shared.web.templating import environment
from app.status.document import Document

_PAGE = "status/page.html"


def page_html(document: Document) -> bytes:
    """The page of a document, as it is kept and sent: the same bytes for the same document."""
    return _template().render(page=document).encode()


def template_files() -> list[Path]:
    """The files that every page is made with."""
    return sorted((shipped("templates") / _PAGE).parent.glob("*.html"))


@cache
def _template() -> Template:
    return environment().get_template(_PAGE)
