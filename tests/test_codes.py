"""Codes of patients and machines: printed by a sheet, read again from a photo."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pypdfium2
import pytest
import segno
from called import called
from PIL import Image
from streamlit.testing.v1 import AppTest
from test_page import button, field, opened

from knee_angle.errors import InvalidInput
from knee_angle.page import how_to, keeping
from knee_angle.photo.codes import Code, codes_in, printed
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.report.code_sheet import MOST_CODES, code_sheet
from knee_angle.store import open_store


def as_photo(picture: Image.Image) -> Photo:
    return read_photo(as_file(picture), name="code.jpg")


def as_file(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=90)
    return out.getvalue()


def qr(text: str, *, cell_px: int = 8, turn_deg: float = 0.0) -> Image.Image:
    """A photo of a code on a grey wall, turned."""
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="png", scale=cell_px, border=4)
    code = Image.open(out).convert("RGB").rotate(turn_deg, expand=True, fillcolor=(170, 170, 170))
    wall = Image.new("RGB", (1200, 1000), (170, 170, 170))
    wall.paste(code, (300, 250))
    return wall


def ean(digits: str, *, bar_px: int = 4) -> Image.Image:
    """A bar code of goods, EAN-13 (ISO/IEC 15420), drawn bar by bar."""
    left = ("0001101", "0011001", "0010011", "0111101", "0100011",
            "0110001", "0101111", "0111011", "0110111", "0001011")  # fmt: skip
    parity = ("LLLLLL", "LLGLGG", "LLGGLG", "LLGGGL", "LGLLGG",
              "LGGLLG", "LGGGLL", "LGLGLG", "LGLGGL", "LGGLGL")  # fmt: skip
    right = [code.translate(str.maketrans("01", "10")) for code in left]
    first = "".join(
        left[int(d)] if kind == "L" else right[int(d)][::-1]
        for d, kind in zip(digits[1:7], parity[int(digits[0])], strict=True)
    )
    bits = f"101{first}01010{''.join(right[int(d)] for d in digits[7:])}101"
    row = np.repeat([0 if bit == "1" else 255 for bit in bits], bar_px).astype(np.uint8)
    wall = np.full((700, 1000), 255, np.uint8)
    wall[200:450, 250 : 250 + len(row)] = row
    return Image.fromarray(wall)


@pytest.mark.parametrize(
    ("text", "read"),
    [
        pytest.param(printed("M-03", "machine"), Code("M-03", "machine"), id="a machine's"),
        pytest.param(printed("P-017", "patient"), Code("P-017", "patient"), id="a patient's"),
        pytest.param("p-017", Code("P-017", None), id="a bare code"),
        pytest.param("Ada Ada 1950-01-01", None, id="a name and a birthday"),
        pytest.param("https://ward.example/M-03", None, id="an address"),
        pytest.param("ADA", None, id="a word without a digit could be a name"),
        pytest.param("12345678901234567", None, id="longer than a code"),
        pytest.param("knee-angle nurse N-1", None, id="of somebody else"),
    ],
)
def test_a_code_is_read_and_nothing_else_is_handed_on(text, read):
    assert codes_in(as_photo(qr(text))) == (() if read is None else (read,))


@pytest.mark.parametrize("turn_deg", [20.0, 90.0, 180.0])
def test_a_code_is_read_however_it_is_held(turn_deg):
    assert codes_in(as_photo(qr("M-03", turn_deg=turn_deg))) == (Code("M-03", None),)


def test_a_bar_code_of_goods_is_read():
    assert codes_in(as_photo(ean("4006381333931"))) == (Code("4006381333931", None),)


def test_what_only_looks_like_a_code_is_none(monkeypatch):
    class Odd:
        def detectAndDecodeMulti(self, _):  # noqa: N802
            raise cv2.error("odd pattern")

    monkeypatch.setattr(cv2, "QRCodeDetector", Odd)
    assert codes_in(as_photo(qr("M-03"))) == ()


@pytest.mark.parametrize("whose", ["machine", "patient"])
def test_a_printed_sheet_is_read_again_code_by_code(whose):
    codes = ["M-01", "M-02", "WARD-3-BED-12"]
    document = pypdfium2.PdfDocument(code_sheet(codes, whose=whose))
    page = document[0].render(scale=150 / 72).to_pil()
    document.close()
    assert {(one.code, one.whose) for one in codes_in(as_photo(page))} == {
        (code, whose) for code in codes
    }


def test_a_sheet_takes_only_codes_and_so_many(tmp_path):
    with pytest.raises(InvalidInput, match="a sheet takes 1 to 12 codes, but got 13"):
        code_sheet([f"M-{n}" for n in range(MOST_CODES + 1)])
    out = tmp_path / "codes.pdf"
    assert called("sheet", "codes", out, "m-03", "--paper", "letter").returncode == 0
    assert out.read_bytes().startswith(b"%PDF")
    done = called("sheet", "codes", out, "Ada")
    assert done.returncode == 2
    assert "never use a name" in done.stderr


@pytest.fixture
def page(tmp_path, monkeypatch):
    keeping._opened.clear()
    monkeypatch.setenv("KNEE_ANGLE_STORE", str(tmp_path / "kept.db"))
    with open_store() as store:
        store.add_person("P-017")
        store.add_machine("M-03")
    yield opened()
    keeping._opened.clear()


def scanned(page, picture: Image.Image):
    if not any(one.label.startswith("Photo of the code") for one in page.file_uploader):
        button(page, "Scan a code").click().run()
    target = next(one for one in page.file_uploader if one.label.startswith("Photo of the code"))
    target.set_value([("code.jpg", as_file(picture), "image/jpeg")]).run()
    assert not page.exception
    return page


def codes_of(page) -> tuple[str, str]:
    return tuple(field(page, label).value for label in ("Patient (code)", "Machine (code)"))


def test_scanned_codes_fill_the_fields_they_belong_to(page):
    page = scanned(page, qr("m-03"))  # bare, and known as a machine's
    assert codes_of(page) == ("", "M-03")
    page = scanned(page, qr(printed("P-017", "patient")))
    assert codes_of(page) == ("P-017", "M-03")
    assert not [one for one in page.button if one.label == "Scan a code"]


def test_a_photo_without_a_code_says_what_to_do(page):
    page = scanned(page, Image.new("RGB", (600, 600), (120, 130, 140)))
    assert page.warning[0].value.startswith("No code was read. It must be a QR code")
    assert codes_of(page) == ("", "")


@pytest.mark.parametrize("name", ["dots", "tags", "bars"])
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_page_hands_over_every_sheet(name, paper):
    (made,) = [made for one, _, made in how_to.SHEETS if one == name]
    assert made(paper).startswith(b"%PDF")


@pytest.mark.usefixtures("page")
def test_sheets_and_codes_are_buttons_of_the_page():
    def labels(draw) -> list[str]:
        driver = AppTest.from_function(draw, default_timeout=60).run()
        assert not driver.exception
        return [one.proto.label for one in driver.get("download_button")]

    assert labels(how_to_page) == [
        "Dots for leg and machine",
        "Tag strip for the machine's base",
        "Tags for the machine's bars",
    ]
    assert "Card with the code of M-03" in labels(machines_page)


def how_to_page() -> None:
    from knee_angle.page.how_to import show

    show()


def machines_page() -> None:
    from knee_angle.page.machines import show

    show()
