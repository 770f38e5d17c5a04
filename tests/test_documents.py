"""Documents cannot drift: README's commands exist, its files exist, and the check script runs README's own command."""

import re
import shlex
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from thermscan.app.case_add_command import add_group
from thermscan.app.case_command import command as case_group
from thermscan.app.cli import COMMANDS, command
from thermscan.model.flags import FLAGS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_readme_opens_with_the_job_and_two_lines_to_paste():
    lines = [line for line in README.splitlines() if line.startswith("    python3 -m venv")]
    assert len(lines) == 2
    assert lines[0].endswith("thermscan demo --out demo-result")
    assert lines[1].endswith("pytest")


def test_the_check_script_finds_the_test_command_of_the_readme():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    pattern = re.search(r"sed -n '(.*)' README\.md", script).group(1)
    found = subprocess.run(["sed", "-n", pattern, "README.md"], cwd=ROOT, capture_output=True, text=True, check=True)
    assert (
        found.stdout.splitlines()[0]
        == "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest"
    )


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`thermscan (\w+)", README))))
def test_commands_of_the_readme_exist(name):
    assert name in COMMANDS


@pytest.mark.parametrize("option", sorted(set(re.findall(r"(--[a-z][a-z-]+)", README)) - {"--help"}))
def test_options_of_the_readme_exist(option):
    texts = [CliRunner().invoke(command, [name, "--help"]).output for name in COMMANDS]
    texts += [
        CliRunner().invoke(command, ["board", sub, "--help"]).output for sub in ("mark", "points", "table", "draw")
    ]
    texts += [help_of(words) for words in CASE_COMMANDS]
    assert any(option in text for text in texts)


def help_of(words):
    return CliRunner().invoke(command, [*words, "--help"]).output


CASE_COMMANDS = [["case", name] for name in case_group.commands if name != "add"] + [
    ["case", "add", name] for name in add_group.commands
]
BLOCKS = re.findall(r"^```\w*\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
WORKED = [line for block in BLOCKS for line in block.splitlines() if line.startswith("thermscan ")]


@pytest.mark.parametrize("line", WORKED)
def test_command_lines_of_the_readme_have_known_words_and_options(line):
    words = shlex.split(line)[1:]
    depth = {"case": 3 if words[1] == "add" else 2}.get(words[0], 1)
    text = help_of(words[:depth])
    assert text.startswith("Usage: ")
    assert "No such command" not in text
    assert [w for w in words if w.startswith("--") and w not in text] == []


def test_readme_shows_every_step_of_a_case():
    said = {tuple(shlex.split(line)[1:3]) for line in WORKED}
    assert {("case", sub) for sub in ("new", "add", "rule-out", "conclude", "show", "export")} <= said
    assert [name for name in add_group.commands if f"`{name}`" not in README] == []


@pytest.mark.parametrize("target", sorted(set(re.findall(r"\]\(([^)#]+)\)", README))))
def test_files_linked_from_the_readme_exist(target):
    assert (ROOT / target).exists()


def test_every_command_is_in_the_readme_or_the_developers_guide():
    text = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"thermscan {name}" not in text] == []


def test_flags_have_one_plain_sentence():
    for text in FLAGS.values():
        assert text[0].islower()
        assert not text.endswith(".")
