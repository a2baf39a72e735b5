"""Manifests: every error word for word, what a check may not see, and what is carried along."""

from __future__ import annotations

import pytest

from matching.consult.requests import request_of
from refdb.captures import read
from refdb.errors import CaptureError, ManifestError
from refdb.manifest import COLUMNS, SECRET, read_manifest

LINE = (
    "a.csv,can-hs,tarn-8,idle,fault,l-open,car 7,500000,can_h=V;can_l=V,2,10,dc,seen twice,blue\n"
)
HEAD = ",".join((*COLUMNS, "paint")) + "\n"


def made(tmp_path, text: str | bytes, for_check=False):
    place = tmp_path / "m.csv"
    place.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_manifest(place, for_check=for_check)


def error(tmp_path, text: str | bytes) -> str:
    with pytest.raises(ManifestError) as caught:
        made(tmp_path, text)
    said = str(caught.value)
    assert said.startswith(f"{tmp_path / 'm.csv'}: ") and "\n" not in said
    return said.removeprefix(f"{tmp_path / 'm.csv'}: ")


# --- what comes in --------------------------------------------------------------------------------


def test_a_full_line(tmp_path):
    (row,) = made(tmp_path, HEAD + LINE)
    assert (row.line, row.path, row.file) == (2, "a.csv", tmp_path / "a.csv")
    assert row.values == dict(zip(COLUMNS, LINE.strip().split(","), strict=False))
    assert row.tags == {"paint": "blue"}
    assert row.number("attenuation", 1.0) == 10.0 and row.get("vehicle") == "car 7"


def test_blank_and_missing_columns_mean_the_default(tmp_path):
    (row,) = made(tmp_path, "path,system,scale\n a.csv , can-hs ,\n")
    assert row.path == "a.csv" and row.get("system") == "can-hs"
    assert row.get("fault") == "" and row.number("scale", 1.0) == 1.0
    assert row.number("sample_rate_hz", None) is None and row.tags == {}


@pytest.mark.parametrize(
    "text",
    [
        "\ufeffPATH, System \r\na.csv,can-hs\r\n",
        'path,system\n\n"a.csv","can-hs"\n , \n\n',
        "system,path\ncan-hs,a.csv",
    ],
)
def test_dialects(tmp_path, text):
    (row,) = made(tmp_path, text)
    assert (row.path, row.get("system")) == ("a.csv", "can-hs")


def test_lines_come_in_order_with_their_numbers(tmp_path):
    rows = made(tmp_path, 'path,system,note\nb,can-hs,"two\nlines"\n\na,lin,\n')
    assert [(r.path, r.line, r.get("note")) for r in rows] == [("b", 3, "two\nlines"), ("a", 5, "")]


@pytest.mark.parametrize(
    ("written", "found"),
    [("x/a.csv", "x/a.csv"), ("x\\a.csv", "x/a.csv"), ("../a.csv", "../a.csv")],
)
def test_paths_are_relative_to_the_manifest(tmp_path, written, found):
    (row,) = made(tmp_path, f"path,system\n{written},lin\n")
    assert row.path == written and row.file == tmp_path / found
    (row,) = made(tmp_path, f"path,system\n{tmp_path}/b.csv,lin\n")
    assert row.file == tmp_path / "b.csv"


def test_a_check_never_sees_the_answer(tmp_path):
    (row,) = made(tmp_path, HEAD + LINE, for_check=True)
    assert set(row.values) == set(COLUMNS) - SECRET
    assert {row.get(name) for name in SECRET} == {""} and row.tags == {}
    seen = repr(row)
    for answer in ("fault", "l-open", "car 7", "blue"):
        assert answer not in seen


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "expected a column 'path', found nothing; a manifest starts with a header such as "
             "path,system,engine_family,condition"),
        ("file,system\n", "expected a column 'path', found file, system; a manifest starts with a "
                          "header such as path,system,engine_family,condition"),
        ("path;system\na;lin\n", "expected a column 'path', found path;system; a manifest starts "
                                 "with a header such as path,system,engine_family,condition"),
        ("path\na\n", "expected a column 'system', found path; a manifest starts with a header "
                      "such as path,system,engine_family,condition"),
        ("path,system,Note,note\n", "column 'note' stands twice; rename one"),
        ("path,system\na,lin\nb,lin,x\n", "line 3: expected 2 cells, found 3; quote cells that "
                                          "contain commas"),
        ("path,system\na\n", "line 2: expected 2 cells, found 1; quote cells that contain commas"),
        ('path,system\n"a,lin\n', "expected a CSV table, found unexpected end of data; correct it"),
        ('path,system\n"a"b,lin\n', "expected a CSV table, found ',' expected after '\"'; "
                                    "correct it"),
        (b"path,system\ncaf\xe9,lin\n", "expected UTF-8, found byte 0xe9 at offset 15; save it as "
                                        "UTF-8"),
    ],
)  # fmt: skip
def test_errors_word_for_word(tmp_path, text, said):
    assert error(tmp_path, text) == said


def test_the_byte_that_is_no_utf8_is_found_far_into_the_file(tmp_path):
    head = b"path,system\n" + b"a.csv,lin\n" * 20_000
    assert error(tmp_path, head + b"\xff,lin\n") == (
        f"expected UTF-8, found byte 0xff at offset {len(head)}; save it as UTF-8"
    )


def test_files_that_are_none_word_for_word(tmp_path):
    with pytest.raises(ManifestError) as caught:
        read_manifest(tmp_path / "no.csv", for_check=True)
    assert str(caught.value) == f"{tmp_path / 'no.csv'}: no such manifest; check the path"
    with pytest.raises(ManifestError) as caught:
        read_manifest(tmp_path, for_check=True)
    assert str(caught.value) == (
        f"{tmp_path}: expected a CSV manifest, found a folder; name the file"
    )


def test_no_permission_word_for_word(tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError

    monkeypatch.setattr("pathlib.Path.open", refuse)
    with pytest.raises(ManifestError) as caught:
        read_manifest(tmp_path / "m.csv", for_check=True)
    assert (
        str(caught.value) == f"{tmp_path / 'm.csv'}: not allowed to read it; check its permissions"
    )


def test_too_many_lines_word_for_word(tmp_path, monkeypatch):
    monkeypatch.setattr("refdb.manifest.MOST_ROWS", 3)
    assert len(made(tmp_path, "path,system\na,lin\nb,lin\n")) == 2
    assert error(tmp_path, "path,system\na,lin\nb,lin\nc,lin\n") == (
        "more than 3 lines; split the manifest"
    )


# --- from a line to a request ---------------------------------------------------------------------


ALL = ",".join(COLUMNS)


def request(tmp_path, cells: str, columns=ALL):
    (row,) = made(tmp_path, f"{columns}\n{cells}\n", for_check=True)
    return request_of(row)


def test_a_request_carries_what_the_line_says(tmp_path):
    got = request(tmp_path, LINE.strip().removesuffix(",blue"))
    assert (got.file, got.shown) == (tmp_path / "a.csv", "a.csv")
    assert (got.context.system, got.context.engine_family, got.context.condition) == (
        "can-hs", "tarn-8", "idle"
    )  # fmt: skip
    options = got.options
    assert (options.scale, options.attenuation, options.coupling) == (2.0, 10.0, "dc")
    assert (options.sample_rate_hz, options.channels) == (500_000.0, "can_h=V;can_l=V")


def test_blanks_are_defaults_and_conditions_lower_case(tmp_path):
    got = request(tmp_path, "a.csv,can-hs,Tarn-8,Idle", "path,system,engine_family,condition")
    assert (got.context.engine_family, got.context.condition) == ("Tarn-8", "idle")
    assert (got.options.scale, got.options.attenuation) == (1.0, 1.0)
    assert got.options.coupling is None and got.options.sample_rate_hz is None


@pytest.mark.parametrize(
    ("columns", "cells", "said"),
    [
        ("path,system", ",lin", "line 2: no path; every line needs one"),
        ("path,system", "a,", "line 2: no system; `straygauge systems` lists them"),
        ("path,system,coupling", "a,lin,gnd",
         "line 2: coupling 'gnd': expected ac, dc or blank; correct it"),
        ("path,system,scale", "a,lin,two",
         "line 2: scale 'two': expected a number; correct the manifest"),
        ("path,system,attenuation", 'a,lin,"1,5"',
         "line 2: attenuation '1,5': expected a number; correct the manifest"),
        ("path,system,sample_rate_hz", "a,lin,50k",
         "line 2: sample_rate_hz '50k': expected a number; correct the manifest"),
    ],
)  # fmt: skip
def test_lines_that_make_no_request_word_for_word(tmp_path, columns, cells, said):
    with pytest.raises(ManifestError) as caught:
        request(tmp_path, cells, columns)
    assert str(caught.value) == said


@pytest.mark.parametrize(
    ("column", "value"),
    [("scale", "0"), ("scale", "nan"), ("attenuation", "0"), ("attenuation", "inf"),
     ("sample_rate_hz", "0"), ("sample_rate_hz", "-5")],
)  # fmt: skip
def test_numbers_that_cannot_be_are_not_taken_for_blanks(tmp_path, column, value):
    (tmp_path / "a.csv").write_text("volts\n" + "1\n2\n" * 50)
    cells = f"a.csv,lin,100,{value}" if column != "sample_rate_hz" else f"a.csv,lin,{value},"
    columns = f"path,system,sample_rate_hz,{column if column != 'sample_rate_hz' else 'note'}"
    got = request(tmp_path, cells, columns)
    with pytest.raises(CaptureError):
        read(got.file, got.options)
