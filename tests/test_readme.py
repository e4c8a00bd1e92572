"""README and DEVELOPERS speak of commands, pages, pictures, questions and files that exist."""

import importlib
import re
import textwrap
from pathlib import Path

import pytest

from analytics.__main__ import COMMANDS
from analytics.app.commands import batch as batch_command
from analytics.reports import batch, parameters

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_command_named_in_the_readme_exists():
    named = set(re.findall(r"\bregrowth ([a-z]+)\b", README))
    assert named - {"report"} <= set(COMMANDS)
    assert set(COMMANDS) - named <= {"lab", "selfcheck", "pool", "study"}


@pytest.mark.parametrize("page", parameters.pages())
def test_every_page_stands_in_the_readme(page):
    assert f"`{page}`" in README


@pytest.mark.parametrize("where", ["README", "regrowth batch --help"])
def test_the_plan_of_a_batch_that_is_shown_can_be_run(where, tmp_path):
    shown = re.search(r"```toml\n(.*?)```", README, re.DOTALL)
    assert shown
    text = shown.group(1)
    if where != "README":
        text = "\n".join(line for line in batch_command.MORE.splitlines() if line.startswith("  "))
    plan = tmp_path / "quarterly.toml"
    plan.write_text(textwrap.dedent(text).replace('"data_demo"', f"'{ROOT / 'data_demo'}'"), encoding="utf-8")
    assert {job.page for job in batch.read(plan).jobs} == {"01_surgeon_audit", "02_quarterly_review"}


def test_every_picture_of_the_readme_is_there():
    pictures = re.findall(r"\]\((data_demo/pictures/[^)]+)\)", README)
    assert pictures
    assert all((ROOT / picture).is_file() for picture in pictures)


def test_settings_given_in_the_readme_are_settings_of_their_page():
    for page, name in re.findall(r"regrowth report (\d\d)[^\n]*--set \"?(\w+)=", README):
        full = next(p for p in parameters.pages() if p.startswith(page))
        assert name in {setting["name"] for setting in parameters.described(full)}


def test_the_ci_script_runs_the_test_command_of_the_readme():
    command = re.search(r"python3 -m venv .venv && .*\[test\]\" && (\S+pytest)", README)
    assert command
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert '.venv/bin/pip install -q -c .ci/constraints.txt -e ".[test]"' in script
    assert script.rstrip().endswith(command.group(1))


@pytest.mark.parametrize("row", re.findall(r"^\| [\w, `]+ \|.*`\w+/.*\|$", DEVELOPERS, re.MULTILINE))
def test_where_a_number_comes_from_names_a_question_and_files_that_exist(row):
    *_, asked, computed, _ = row.split("|")
    room = importlib.import_module("analytics")
    for name in re.findall(r"`([\w.]+)`", asked):
        of, _, question = name.rpartition(".")
        room = importlib.import_module(f"analytics.{of}") if of else room
        assert hasattr(room, question)
    folder = ROOT
    for path in re.findall(r"`([\w/]+(?:\.py|/))`", computed):
        folder = (ROOT / "analytics" / path).parent if "/" in path else folder
        assert (folder / Path(path).name).exists()
