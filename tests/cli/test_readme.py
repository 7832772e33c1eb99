"""The README keeps its word: its commands exist, its files are there, its figures are the code's.

Dust and lifting figures: OSHA 29 CFR 1926.1153; NIOSH REL; ACGIH TLV; Directive (EU) 2017/2398,
annex III; NIOSH 94-110.
"""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest
import typer
from typer.core import TyperGroup

from tracker.cli.app import app
from tracker.comparison.states import State
from tracker.records.entries import BAR_COLUMNS, FRAME_COLUMNS, POINT_COLUMNS, SEAT_COLUMNS
from tracker.records.settings import BandSettings

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SHELL = [line.strip() for line in README.splitlines() if line.startswith("    ")]
COMMANDS = [line for line in SHELL if line.startswith("stoneleft ")]


@pytest.mark.parametrize("line", COMMANDS)
def test_command_and_its_options_exist(line: str) -> None:
    words = shlex.split(line)[1:]
    command = typer.main.get_command(app)
    while isinstance(command, TyperGroup):
        assert words[0] in command.commands, line
        command = command.commands[words.pop(0)]
    known = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in words if word.startswith("--")} <= known


def test_scripts_exist() -> None:
    scripts = [line for line in SHELL if line.startswith("scripts/")]
    assert scripts == ["scripts/demo", "scripts/test"]
    for script in scripts:
        assert (ROOT / script).stat().st_mode & 0o111


def test_linked_files_exist() -> None:
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert "fixtures/demo-heatmap.png" in links
    for link in links:
        assert (ROOT / link).is_file(), link


@pytest.mark.parametrize("columns", [FRAME_COLUMNS, BAR_COLUMNS, SEAT_COLUMNS, POINT_COLUMNS])
def test_tables_are_as_read(columns: tuple[str, ...]) -> None:
    assert f"`{','.join(columns)}`" in README


def test_states_are_named_as_they_are_shown() -> None:
    table = re.findall(r"^\| ([a-z -]+) \| ", README, flags=re.MULTILINE)
    assert {state.label for state in State} <= set(table)


def test_limits_are_the_defaults() -> None:
    bands = BandSettings()
    assert f"more than {bands.close_up_to_mm:g} mm left" in README
    assert f"{bands.finished_up_to_mm:g} to {bands.close_up_to_mm:g} mm left" in README
    assert f"below {bands.light_tools_below_mm:g} mm the list says light tools only" in README
    assert bands.over_cut_below_mm == -bands.finished_up_to_mm == -0.5
    assert "half a millimetre too deep" in README


def test_cautions_name_the_published_limits() -> None:
    words = " ".join(README.split())
    assert "50 micrograms per cubic metre with action from 25 (OSHA, 29 CFR 1926.1153)" in words
    assert "50 (NIOSH), 25 (ACGIH), 100 (European Union, Directive 2017/2398)" in words
    assert "23 kg (NIOSH lifting equation, 94-110)" in words
    assert "Marble and limestone dust is not to be called free of it" in words


def test_developers_page_has_the_import_law() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    law = page.split("imports only from those to its right:")[1].split("A new module")[0]
    written = [re.findall(r"\w+", step) for step in law.split("->")]
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = contracts["tool"]["importlinter"]["contracts"][0]["layers"]
    assert written == [re.findall(r"\w+", layer) for layer in layers]
    rooms = set(re.findall(r"`(\w+)(?:/|\.py)`", page))
    assert {room for step in written for room in step} <= rooms
