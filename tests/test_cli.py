"""The command line: what it says, and the code it ends with."""

import json
import re
import subprocess
import sys

import openpyxl
import pytest
import sample_page
from conftest import ROOT

from analytics.__main__ import COMMANDS, main

DEMO = str(ROOT / "data_demo")


def test_without_a_command_it_lists_them(capsys):
    assert main([]) == 2
    said = capsys.readouterr().out
    assert all(name in said for name in COMMANDS)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_explains_itself(name, capsys):
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    assert f"regrowth {name}" in capsys.readouterr().out


def test_an_unknown_command_is_refused_with_the_nearest_one(capsys):
    assert main(["chek"]) == 2
    assert "did you mean 'check'?" in capsys.readouterr().err


def test_check_prints_a_balance_in_which_no_row_is_lost(capsys):
    assert main(["check", DEMO]) == 0
    counts = re.findall(r"(\d+) read = (\d+) used \+ (\d+) left out", capsys.readouterr().out)
    assert len(counts) == 10
    assert all(int(read) == int(used) + int(out) for read, used, out in counts)


def test_an_error_is_a_sentence_without_a_traceback_and_ends_with_2(capsys, tmp_path):
    assert main(["report", "99", str(tmp_path)]) == 2
    said = capsys.readouterr()
    assert said.err.startswith("page: no page of that name; use one of 01_surgeon_audit")
    assert "Traceback" not in said.err


def test_check_ends_with_2_when_something_must_be_mended(capsys, tmp_path):
    assert main(["check", str(tmp_path / "nowhere")]) == 2
    said = capsys.readouterr().err
    assert said.startswith("nowhere: there is no such file or folder")
    assert said.count("\n") == 1


def test_the_template_is_a_workbook_that_can_be_opened(tmp_path, capsys):
    assert main(["template", str(tmp_path / "register.xlsx")]) == 0
    assert "patients" in openpyxl.load_workbook(tmp_path / "register.xlsx").sheetnames


def test_a_report_is_made_by_one_command(tmp_path, capsys):
    page = sample_page.write(
        tmp_path / "sample.ipynb", sample_page.BEGIN, sample_page.WRITE, sample_page.FINISH
    )
    code = main(
        [
            "report",
            str(page),
            DEMO,
            "--set",
            "chair=007",
            "--set",
            "months=12",
            "--out",
            str(tmp_path / "o"),
        ]
    )
    said = capsys.readouterr().out
    assert code == 0
    assert "In the crown 80" in said
    assert str(tmp_path / "o" / "sample" / "sample.html") in said
    settings = json.loads((tmp_path / "o" / "sample" / "results.json").read_text())["provenance"]["settings"]
    assert (settings["chair"], settings["months"]) == ("007", 12)
    assert (tmp_path / "o" / "index.html").exists()


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        (["--set", "mont=3"], "has no setting 'mont'"),
        (["--set", "surgeon"], "--set: expected name=value"),
        (["--set", "surgeon=1", "--set", "surgeon=2"], "--set surgeon: given twice"),
        (["--formats", "docx"], "formats: 1 unknown"),
        (["--label", "a/b"], "label: use 1 to 81 letters"),
    ],
)
def test_a_wrong_argument_of_a_report_ends_with_2(given, sentence, capsys, tmp_path):
    assert main(["report", "01_surgeon_audit", DEMO, "--out", str(tmp_path / "o"), *given]) == 2
    assert sentence in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


def test_the_settings_of_a_page_are_listed(capsys):
    assert main(["report", "01_surgeon_audit", "--settings"]) == 0
    assert "who will read it" in capsys.readouterr().out


def test_importing_the_package_takes_no_time_and_none_of_the_heavy_libraries():
    code = "import sys, analytics; print(sorted({'pandas', 'scipy', 'matplotlib'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
