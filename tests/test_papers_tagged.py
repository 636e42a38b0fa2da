"""Papers for who hears them: the structure of each PDF, read by a library that did not write it.

What ISO 14289-1 (PDF/UA-1) asks of structure and a program can see: the clause stands at each
check (from memory, after the Matterhorn Protocol's list). No such checker is in the registries
without a Java runtime.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from itertools import pairwise

import pikepdf
import pytest
from stores import (
    NOON,
    SETTINGS,
    SHA,
    at_angle,
    made_check,
    made_measurement,
    made_series,
    made_visit,
)

from knee_angle.language import in_language
from knee_angle.report.paper.pdf import pdf_of
from knee_angle.store import SetUp, new_id, open_store, papers

SHOWS_TEXT = {"Tj", "TJ", "'", '"'}
PAINTS = {"f", "F", "f*", "B", "B*", "b", "b*", "S", "s", "Do", "sh"}


@pytest.fixture(scope="module")
def ward(tmp_path_factory):
    with open_store(tmp_path_factory.mktemp("tagged") / "a.db", clock=lambda: NOON) as store:
        store.add_person("P-017")
        store.add_machine("M-03")
        answer, photos = made_visit()
        store.save_visit(
            answer, photos, visit_id=new_id(), settings=SETTINGS, person="P-017", machine="M-03"
        )
        for end, deg in (("flexion", 80.0), ("extension", 8.0)):
            store.save_measurement(
                at_angle(made_measurement(), deg), settings=SETTINGS, photo_sha256=SHA,
                person="P-017", setup=SetUp(end=end), taken_at=NOON,
            )  # fmt: skip
        series = made_series()
        store.save_check(
            made_check(), machine="M-03", outcomes=series, settings=SETTINGS,
            photo_sha256={name: f"{n:x}" * 64 for n, name in enumerate(series, 1)},
        )  # fmt: skip
        yield store


@pytest.fixture(
    scope="module",
    params=[
        pytest.param(lambda store: papers.of_visit(store, person="P-017"), id="visit"),
        pytest.param(lambda store: papers.of_course(store, "P-017", made_at=NOON), id="course"),
        pytest.param(lambda store: papers.of_machine(store, "M-03"), id="machine"),
        pytest.param(lambda store: papers.of_fleet(store, made_at=NOON), id="fleet"),
    ],
)
def pdf(request, ward):
    with in_language("de"):
        content = pdf_of(request.param(ward), language="de")
    with pikepdf.open(io.BytesIO(content)) as opened:
        yield opened


def kids_of(node: pikepdf.Object) -> list[pikepdf.Object | int]:
    kids = node.get("/K")
    if kids is None:
        return []
    return list(kids) if isinstance(kids, pikepdf.Array) else [kids]


def elements(node: pikepdf.Object) -> Iterator[pikepdf.Object]:
    """Structure elements in reading order."""
    for kid in kids_of(node):
        if isinstance(kid, pikepdf.Dictionary) and "/S" in kid:
            yield kid
            yield from elements(kid)


def kind(pdf: pikepdf.Pdf, element: pikepdf.Object) -> str:
    """The standard type of an element."""
    roles = pdf.Root.StructTreeRoot.get("/RoleMap", {})
    return str(roles.get(str(element.S), element.S))


def in_tree(tree: pikepdf.Object) -> dict[int, pikepdf.Object]:
    """A number tree, flat."""
    found = {}
    numbers = list(tree.get("/Nums", []))
    for key, value in zip(numbers[::2], numbers[1::2], strict=True):
        found[int(key)] = value
    for kid in tree.get("/Kids", []):
        found |= in_tree(kid)
    return found


def marked(page: pikepdf.Page) -> Iterator[tuple[str, list[int | str]]]:
    """Every operator that leaves ink, with the marks round it: numbers, or ``Artifact``."""
    open_marks: list[int | str] = []
    for instruction in pikepdf.parse_content_stream(page):
        operator = str(instruction.operator)
        if operator in ("BDC", "BMC"):
            name = str(instruction.operands[0])
            given = instruction.operands[1] if operator == "BDC" else {}
            if isinstance(given, pikepdf.Dictionary) and "/MCID" in given:
                open_marks.append(int(given.MCID))
            else:
                open_marks.append(name.lstrip("/"))
        elif operator == "EMC":
            open_marks.pop()
        elif operator in SHOWS_TEXT | PAINTS:
            yield operator, list(open_marks)
    assert open_marks == []


def test_the_file_says_that_it_is_tagged_in_which_language_and_under_which_title(pdf):
    assert pdf.Root.MarkInfo.Marked  # 7.1
    assert not pdf.Root.MarkInfo.get("/Suspects", False)
    assert str(pdf.Root.Lang) == "de"  # 7.2
    assert pdf.Root.ViewerPreferences.DisplayDocTitle  # 7.1
    with pdf.open_metadata() as said:
        assert said["pdfuaid:part"] == "1"  # 5
        assert said["dc:title"] == str(pdf.docinfo.Title)


def test_all_that_is_printed_is_in_the_tree_or_no_content(pdf):
    parents = in_tree(pdf.Root.StructTreeRoot.ParentTree)
    for page in pdf.pages:
        assert page.Tabs == "/S"  # 7.18.3
        owners = parents[int(page.StructParents)]
        seen = set()
        for operator, marks in marked(page):
            numbers = [mark for mark in marks if isinstance(mark, int)]
            assert numbers or "Artifact" in marks, operator  # 7.1
            assert len(numbers) <= 1
            assert not (numbers and "Artifact" in marks)
            seen |= set(numbers)
        assert seen
        for number in seen:  # each mark's element names the mark, and hangs in the tree
            element = owners[number]
            named = [
                int(kid) if isinstance(kid, int) else int(kid.MCID)
                for kid in kids_of(element)
                if isinstance(kid, int) or "/MCID" in kid
            ]
            assert number in named
            while element.get("/Type") != "/StructTreeRoot":
                element = element.P


def test_headings_begin_with_one_title_and_leave_no_level_out(pdf):
    levels = [
        int(name[2:])
        for one in elements(pdf.Root.StructTreeRoot)
        if (name := kind(pdf, one)).startswith("/H") and name[2:].isdigit()
    ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_picture_is_told_in_words_and_every_column_has_a_head(pdf):
    every = list(elements(pdf.Root.StructTreeRoot))
    for one in every:
        if kind(pdf, one) in ("/Figure", "/Formula"):
            assert len(str(one.Alt)) > 20  # 7.3
    tables = [one for one in every if kind(pdf, one) == "/Table"]
    assert tables
    for table in tables:
        rows = [one for one in elements(table) if kind(pdf, one) == "/TR"]
        heads = [kind(pdf, cell) for cell in elements(rows[0])
                 if kind(pdf, cell) in ("/TH", "/TD")]  # fmt: skip
        assert set(heads) == {"/TH"}  # 7.5
        for row in rows[1:]:
            cells = [one for one in elements(row) if kind(pdf, one) in ("/TH", "/TD")]
            across = [
                int(attribute.get("/ColSpan", 1))
                for one in cells
                for attribute in [attributes(one)]
            ]
            assert sum(across) == len(heads)


def test_what_belongs_together_is_joined_and_nothing_stands_outside_a_block(pdf):
    """Names with their values are a list, captions belong to their table or picture."""
    root = pdf.Root.StructTreeRoot
    every = list(elements(root))
    (document,) = [one for one in elements(root) if kind(pdf, one) == "/Document"]
    blocks = {"/H1", "/H2", "/H3", "/P", "/L", "/Table", "/Div", "/Figure"}
    assert {kind(pdf, one) for one in kids_of(document)} <= blocks
    for one in every:
        if kind(pdf, one) == "/L":
            assert {kind(pdf, item) for item in kids_of(one)} == {"/LI"}
        if kind(pdf, one) == "/LI":
            assert [kind(pdf, part) for part in kids_of(one)] == ["/Lbl", "/LBody"]
        if kind(pdf, one) == "/Caption":
            inside = {kind(pdf, kid) for kid in kids_of(one.P) if not isinstance(kid, int)}
            assert inside & {"/THead", "/Figure"}
    assert any(kind(pdf, one) == "/Caption" for one in every)


def attributes(element: pikepdf.Object) -> dict[str, pikepdf.Object]:
    """What the attributes of an element say, together."""
    given = element.get("/A", [])
    every = given if isinstance(given, pikepdf.Array) else [given]
    return {name: value for one in every for name, value in one.items()}


def test_letters_are_in_the_file_and_can_be_read_out(pdf):
    fonts = {
        str(font.BaseFont): font
        for page in pdf.pages
        for font in page.Resources.get("/Font", {}).values()
    }
    assert fonts
    for font in fonts.values():
        assert "/ToUnicode" in font  # 7.21.7
        inner = font.DescendantFonts[0] if "/DescendantFonts" in font else font
        held = {"/FontFile", "/FontFile2", "/FontFile3"} & set(inner.FontDescriptor.keys())
        assert held  # 7.21.4
