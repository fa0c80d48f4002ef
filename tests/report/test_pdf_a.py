"""The report as an archive file: ISO 19005-3 (PDF/A-3, level U), looked at with pikepdf, which is qpdf underneath.

veraPDF is in no registry that is reached here. What is checked instead, by the standard's clauses (their numbers from memory):
syntax by qpdf; no encryption and a file identifier (6.1); an output intent with its ICC profile, no compression by LZW, no
interpolated pictures (6.2); every font embedded and mapped to Unicode (6.2.11); no scripts and no actions that start anything
(6.5); XMP that names part and level (6.6); attached files with their kind, relation and names (6.8).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pikepdf
import pytest

from audit.logbook import Logbook, verify_package
from audit.report.handover import write_handover
from tests.desk_samples import judged_logbook


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    return judged_logbook(tmp_path_factory.mktemp("site"), cameras=2)


@pytest.fixture(scope="module")
def package(signed: Logbook, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "handover"
    write_handover(signed, signed.visit(1), folder)
    return folder


@pytest.fixture
def report(package: Path) -> Iterator[pikepdf.Pdf]:
    with pikepdf.open(package / "report.pdf") as pdf:
        yield pdf


def _dictionaries(pdf: pikepdf.Pdf) -> list[pikepdf.Object]:
    return [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary | pikepdf.Stream)]


def test_syntax_and_file(report: pikepdf.Pdf) -> None:
    assert report.check_pdf_syntax() == []
    assert report.pdf_version >= "1.4" and not report.is_encrypted
    assert len(report.trailer.ID) == 2 and "/Info" not in report.trailer
    for one in _dictionaries(report):
        assert "/LZWDecode" not in repr(one.get("/Filter")) and one.get("/Interpolate") is not True
        assert not {"/JS", "/JavaScript", "/Launch", "/AA"} & set(one.keys()), one
    assert "/OpenAction" not in report.Root or isinstance(report.Root.OpenAction, pikepdf.Array)


def test_colours_have_a_profile(report: pikepdf.Pdf) -> None:
    (intent,) = report.Root.OutputIntents
    assert intent.S == "/GTS_PDFA1" and intent.DestOutputProfile.N == 3
    assert intent.DestOutputProfile.read_bytes()[36:40] == b"acsp", "an ICC profile's own mark (ISO 15076-1)"


def test_every_font_is_here_and_reads_as_text(report: pikepdf.Pdf) -> None:
    fonts = [one for one in _dictionaries(report) if one.get("/Type") == "/Font"]
    descriptors = [one for one in _dictionaries(report) if one.get("/Type") == "/FontDescriptor"]
    assert fonts and len(descriptors) == 2 and all("/FontFile2" in one for one in descriptors)
    assert all("/ToUnicode" in one for one in fonts if one.Subtype == "/Type0")
    assert {str(one.Subtype) for one in fonts} <= {"/Type0", "/CIDFontType2"}


def test_it_says_what_it_is(report: pikepdf.Pdf, signed: Logbook) -> None:
    with report.open_metadata() as about:
        assert about.pdfa_status == "3U"
        assert "Camera audit" in about["dc:title"] and about["dc:language"] == {"en-GB"}
        moment = signed.visit(1).signed_at
        assert moment is not None and about["xmp:CreateDate"] == moment.isoformat(timespec="seconds") == about["xmp:ModifyDate"]
    assert report.Root.Lang == "en-GB" and report.Root.MarkInfo.Marked
    assert report.Root.ViewerPreferences.DisplayDocTitle
    with report.open_outline() as outline:
        assert outline.root[0].title == "Summary"


def test_the_tables_are_attached(report: pikepdf.Pdf, package: Path) -> None:
    assert set(report.attachments) == {"repairs.csv", "not_verified.csv"} and len(report.Root.AF) == 2
    for name, attached in report.attachments.items():
        assert attached.relationship == "/Data" and attached.description
        file = attached.get_file()
        assert file.mime_type == "text/csv" and file.read_bytes() == (package / name).read_bytes()
        assert file.obj.Params.ModDate and attached.obj.F == attached.obj.UF == name


def test_a_signed_visit_gives_the_same_bytes_and_verifies(signed: Logbook, package: Path, tmp_path: Path) -> None:
    write_handover(signed, signed.visit(1), tmp_path / "again")
    assert (tmp_path / "again" / "report.pdf").read_bytes() == (package / "report.pdf").read_bytes()
    assert verify_package(tmp_path / "again") == ()
