"""Pieces of a page that templates call: a figure for desk and phone, a table that scrolls, text with commands in it."""

from __future__ import annotations

from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup, escape

from ebbset.console.report.svg import Drawing

REPORT: Final = "ebbset.console.report"
_COLUMNS_ON_A_PHONE: Final = 4


def environment(package: str = REPORT) -> Environment:
    """The templates' environment of every page in this style, with these pieces and the common sheet in it.

    Args:
        package: whose folder of templates is looked through before the report's own.
    """
    loader = FunctionLoader(lambda name: _text(package, name) or _text(REPORT, name))
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, loader=loader)
    made.globals.update(figure=figure, table=table)
    made.filters["code"] = code
    return made


def style() -> Markup:
    """The style of every such page: colours, marks of figures, and the page."""
    return Markup("\n".join(template_text(name) for name in ("palette.css", "marks.css", "report.css")))


def template_text(name: str) -> str:
    """The text of a file in the folder of templates."""
    return (files(REPORT) / "templates" / name).read_text(encoding="utf-8")


def _text(package: str, name: str) -> str | None:
    file = files(package) / "templates" / name
    return file.read_text(encoding="utf-8") if file.is_file() else None


def figure(drawings: tuple[Drawing, Drawing], caption: str) -> Markup:
    """Put the desktop and the phone drawing of a figure on a page, which shows one of them.

    Args:
        drawings: the wide and the narrow one.
        caption: below it.
    """
    wide, narrow = drawings
    return Markup(
        '<figure><div class="for-desk">{}</div><div class="for-phone">{}</div><figcaption>{}</figcaption></figure>'
    ).format(Markup(wide.svg()), Markup(narrow.svg()), caption)


def code(text: str) -> Markup:
    """Set what stands between backticks, a command, in the type of commands."""
    parts = text.split("`")
    if len(parts) % 2 == 0:
        return escape(text)
    return Markup("").join(
        Markup("<code>{}</code>").format(part) if number % 2 else escape(part) for number, part in enumerate(parts)
    )


def table(table: dict[str, Any]) -> Markup:
    """Make a table that scrolls on its own on a narrow screen.

    Args:
        table: ``caption``, ``head``, ``rows`` as pairs of style and cells, and ``text``: heads of columns of words.
    """
    head = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(Markup(' class="text"') if name in table["text"] else "", name)
        for name in table["head"]
    )
    rows = Markup("").join(
        Markup("<tr{}>{}</tr>").format(
            Markup(' class="{}"').format(style) if style else "",
            Markup("").join(
                Markup("<td{}>{}</td>").format(Markup(' class="text"') if name in table["text"] else "", cell)
                for name, cell in zip(table["head"], cells, strict=True)
            ),
        )
        for style, cells in table["rows"]
    )
    hint = Markup('<p class="hint">Swipe the table sideways to see all its columns.</p>')
    caption = Markup("<caption>{}</caption>").format(table["caption"]) if table["caption"] else ""
    return Markup(
        '{}<div class="scroll" tabindex="0" role="group" aria-label="Table"><table>{}<thead><tr>{}</tr></thead>'
        "<tbody>{}</tbody></table></div>"
    ).format(hint if len(table["head"]) > _COLUMNS_ON_A_PHONE else "", caption, head, rows)
