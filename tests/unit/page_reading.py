"""Reading our own pages in tests, with the standard library's parser."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

WITHOUT_END = {"meta", "br"}
KNOWN = """html head meta title style body header main section article h1 h2 h3 p dl dt dd div ol ul li b bdi span br
table thead tbody tr th td figure figcaption svg polyline polygon rect"""
"""Elements that our pages are made of."""


@dataclass
class Node:
    """An element with its attributes and what stands in it."""

    tag: str
    attributes: dict[str, str]
    content: list[Node | str] = field(default_factory=list)

    @property
    def text(self) -> str:
        return "".join(part if isinstance(part, str) else part.text for part in self.content)

    def all(self, tag: str) -> list[Node]:
        """All elements of a kind, at any depth, in order."""
        nodes = [part for part in self.content if isinstance(part, Node)]
        return [found for node in nodes for found in ([node] if node.tag == tag else []) + node.all(tag)]

    def named(self, identifier: str) -> Node:
        """The one element with an identifier."""
        found = [node for node in self.every() if node.attributes.get("id") == identifier]
        assert len(found) == 1, identifier
        return found[0]

    def every(self) -> list[Node]:
        nodes = [part for part in self.content if isinstance(part, Node)]
        return [found for node in nodes for found in [node, *node.every()]]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.top = Node("", {})
        self.open = [self.top]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len({name for name, _ in attrs}) == len(attrs), f"<{tag}> repeats an attribute"
        node = Node(tag, {name: value or "" for name, value in attrs})
        self.open[-1].content.append(node)
        if tag not in WITHOUT_END:
            self.open.append(node)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop().tag == tag, f"</{tag}> ends nothing"

    def handle_data(self, data: str) -> None:
        self.open[-1].content.append(data)

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"comment {data}")


def read_page(text: str) -> Node:
    """The page as a tree; every element must be closed in order."""
    reader = _Reader()
    reader.feed(text)
    reader.close()
    assert len(reader.open) == 1, f"not closed: {[node.tag for node in reader.open]}"
    return reader.top


def table(page: Node, identifier: str) -> tuple[list[str], list[list[str]]]:
    """Headings and cells of a table."""
    head, body = page.named(identifier).all("thead"), page.named(identifier).all("tbody")
    rows = [[cell.text for cell in row.all("td")] for row in body[0].all("tr")]
    return [cell.text for cell in head[0].all("th")], rows


def assert_harmless(page: Node) -> None:
    """Nothing runs, nothing is fetched, and elements are only those that our pages are made of."""
    for node in page.every():
        assert re.search(rf"\b{node.tag}\b", KNOWN), node.tag
        for name, value in node.attributes.items():
            assert not name.startswith("on"), name
            assert name not in {"src", "href", "action", "srcset"}, name
            assert "url(" not in value and "://" not in value, value
    for style in page.all("style"):
        assert "url(" not in style.text and "@import" not in style.text
