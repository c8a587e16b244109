"""HTML that cannot be broken by what it shows: every text is escaped, unless it was built here."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

from ttt_opt.terminal_names import printable

WITHOUT_END = frozenset({"meta", "br"})
"""Elements that HTML writes without an end tag."""


class Html(str):
    """Text that is HTML already, made by :func:`element`, :func:`joined` or this program's own style sheets."""


def escaped(text: str) -> Html:
    """A text as HTML: signs of markup escaped; invisible, control and direction-turning characters made visible."""
    return text if isinstance(text, Html) else Html(html.escape(printable(text)))


def joined(parts: Iterable[str]) -> Html:
    """Parts one after the other, each escaped unless it is HTML."""
    return Html("".join(escaped(part) for part in parts))


def element(tag: str, *content: str, **attributes: str) -> Html:
    """An element of HTML or SVG.

    Parameters
    ----------
    tag : str
    *content : str
        What stands inside, one after the other; escaped unless it is :class:`Html`.
    **attributes : str
        Values are escaped. An underscore at the end of a name falls away (``class_``), others become hyphens.

    Returns
    -------
    Html
    """
    names = (name.rstrip("_").replace("_", "-") for name in attributes)
    written = "".join(f' {name}="{escaped(value)}"' for name, value in zip(names, attributes.values(), strict=True))
    if tag in WITHOUT_END:
        return Html(f"<{tag}{written}>")
    return Html(f"<{tag}{written}>{joined(content)}</{tag}>")


def name_of(text: str) -> Html:
    """A name from outside, whose direction of writing must not turn the text around it."""
    return element("bdi", text)


def list_of(items: Iterable[str], tag: str = "ul") -> Html:
    """A list, one item each."""
    return element(tag, *(element("li", item) for item in items))


def table_of(
    headings: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    words: Iterable[int] = (),
    wide: Iterable[int] = (),
    id_: str = "",
) -> Html:
    """A table.

    Parameters
    ----------
    headings : sequence of str
    rows : iterable of sequence of str
    words : iterable of int
        Columns of words, aligned left; the others hold figures, aligned right.
    wide : iterable of int
        Columns that narrow screens leave out; paper shows them.
    id_ : str
        Identifier of the table, none if empty.
    """
    left, optional = set(words), set(wide)
    kinds = [
        " ".join(kind for kind, columns in (("words", left), ("wide", optional)) if column in columns)
        for column in range(len(headings))
    ]
    own = [{"class_": kind} if kind else {} for kind in kinds]
    head = element(
        "tr", *(element("th", text, scope="col", **given) for text, given in zip(headings, own, strict=True))
    )
    body = [
        element("tr", *(element("td", text, **given) for text, given in zip(row, own, strict=True))) for row in rows
    ]
    return element("table", element("thead", head), element("tbody", *body), **({"id": id_} if id_ else {}))


def page(title: str, style: str, *content: str) -> str:
    """A whole document that needs nothing from outside and runs no script.

    Parameters
    ----------
    title : str
    style : str
        The style sheet; must be this program's own, since it is not escaped.
    *content : str
        What stands in the body.
    """
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element(
            "meta",
            http_equiv="Content-Security-Policy",
            content="default-src 'none'; style-src 'unsafe-inline'",
        ),
        element("title", title),
        element("style", Html(style)),
    )
    return f"<!DOCTYPE html>\n{element('html', head, element('body', *content), lang='en')}\n"
