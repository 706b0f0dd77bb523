"""The page: one file that needs nothing else, the verdict first, every word of the user escaped."""

import re
from html.parser import HTMLParser

import pytest

from yieldsim.report.figures import figures_of, style
from yieldsim.report.numbers import low_bound, share, tied
from yieldsim.report.page import inlined, page_of

VOID = {"meta", "br", "img", "link", "hr", "input"}  # HTML Living Standard, section 13.1.2
QUESTIONS = ["May it go out?", "What decides it?", "What to change?", "How do we know?"]


class Reader(HTMLParser):
    """Collects tags, ids, links and text, and checks that tags are closed in order."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.ids, self.links, self.text = [], [], [], [], []
        self.quiet = 0

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        found = dict(attrs)
        self.ids += [found["id"]] if "id" in found else []
        self.links += [found[k] for k in ("href", "src", "xlink:href") if k in found]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        self.open.pop() if tag not in VOID else None

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text.append(data)


@pytest.fixture(scope="module")
def page(result):
    pictures = {name: style.svg_of(figure) for name, figure in figures_of(result).items()}
    return page_of(result, pictures, ["tables/cells.csv", "result.json"])


@pytest.fixture(scope="module")
def read(page):
    reader = Reader()
    reader.feed(page)
    assert reader.open == []
    return reader


def test_it_refers_to_nothing_outside(page, read):
    assert "http" not in page
    assert "//" not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL).replace("</", "")
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)
    own = {f"#{name}" for name in read.ids}
    assert set(read.links) - own == {"tables/cells.csv", "result.json"}


def test_ids_are_its_own_once_each(read):
    assert len(read.ids) == len(set(read.ids))


def test_a_hostile_title_and_note_are_text(page, read, result):
    assert "script" not in read.tags
    assert "img" not in read.tags
    assert result.provenance.title in "".join(read.text)
    assert "<img src=x onerror=alert(2)>" in "".join(read.text)
    assert "<script>" not in page


def test_the_verdict_comes_first_and_the_questions_in_order(read, result):
    text = " ".join("".join(read.text).split())
    places = [text.index("Not met", text.index("Sign-off"))]
    places.append(text.index(" ".join(tied(result.verdict.reason).split())))
    places += [text.rindex(question) for question in QUESTIONS]
    assert places == sorted(places)


def test_every_condition_shows_its_numbers(read, result):
    text = "".join(read.text)
    for cell in result.yields.cells:
        assert tied(share(cell.completion.value)) in text
        assert tied(low_bound(cell.completion)) in text
        assert tied(share(cell.unit_yield.value)) in text


def test_how_we_know_is_told(read, result):
    text = " ".join("".join(read.text).split())
    provenance = result.provenance
    for words in (
        provenance.design_hash,
        provenance.conditions_hash,
        str(provenance.seed),
        f"yieldsim {provenance.version}",
        "given the stated distributions",
        "no substitute for qualification tests",
        "Local codes and regulations",
        result.ranking.method,
    ):
        assert words in text
    for parameter in result.check.parameters:
        assert parameter.name in text


def test_nothing_of_the_run_or_the_machine_is_in_it(page):
    assert "threads" not in page
    assert not re.search(r"\b20\d\d-\d\d-\d\d\b", page)  # a date
    assert not re.search(r"\b\d\d:\d\d\b", page)  # a time of day
    assert not re.search(r"(?<![\w.&<])/(?:home|root|tmp|usr|work|Users)/", page)


def test_the_same_result_gives_the_same_page(page, result):
    pictures = {name: style.svg_of(figure) for name, figure in figures_of(result).items()}
    assert page_of(result, pictures, ["result.json", "tables/cells.csv"]) == page


def test_pictures_keep_their_own_names_apart():
    svg = (
        '<?xml version="1.0"?><svg width="10pt" viewBox="0 0 10 10" xmlns="http://www.w3.org/2000/svg">'
        '<style>*{color:red}</style><g id="a"><use xlink:href="#b"/><path clip-path="url(#c)"/></g></svg>'
    )
    inline = str(inlined(svg, "one", 'a "title" <b>'))
    assert inline == (
        '<svg viewBox="0 0 10 10" role="img" aria-label="a &#34;title&#34; &lt;b&gt;"><g id="one-a">'
        '<use href="#one-b"/><path clip-path="url(#one-c)"/></g></svg>'
    )
