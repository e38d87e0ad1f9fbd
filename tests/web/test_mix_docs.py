"""The example of docs/mix.md is what the command prints."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from click.testing import CliRunner

from heapwright.cli import cli

DOC = Path(__file__).resolve().parents[2] / "docs" / "mix.md"


def test_the_document_shows_what_the_command_prints(tmp_path, monkeypatch):
    text = DOC.read_text(encoding="utf-8")
    amounts = re.search(r"```\n(material,volume_m3\n(?:.*\n)*?)```", text)[1]
    (tmp_path / "amounts.csv").write_text(amounts, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    shown = re.findall(r"```console\n\$ heapwright (.*)\n((?:.*\n)*?)```", text)
    assert shown
    for command, output in shown:
        done = CliRunner().invoke(cli, shlex.split(command))
        assert done.exit_code == 0, done.output
        assert [line.rstrip() for line in done.output.splitlines()] == output.splitlines()


def test_the_figures_of_the_document_are_those_of_the_tables():
    from heapwright.data import constant, default_ranges, layer_limits
    from heapwright.science.goals import Weights
    from heapwright.science.ingredients import DRAWS

    text = " ".join(DOC.read_text(encoding="utf-8").split())
    ranges = default_ranges()
    moisture, cn = ranges["moisture_pct"], ranges["cn"]
    assert (
        f"Moisture {moisture.reasonable_low:g} to {moisture.reasonable_high:g} % is acceptable "
        f"and {moisture.preferred_low:g} to {moisture.preferred_high:g} % preferred, C:N "
        f"{cn.reasonable_low:g} to {cn.reasonable_high:g} and {cn.preferred_low:g} to "
        f"{cn.preferred_high:g}"
    ) in text
    density, air = ranges["bulk_density_kg_m3"], ranges["free_air_space_pct"]
    assert f"up to {density.reasonable_high:g} and {density.preferred_high:g} kg/m³" in text
    assert f"{air.reasonable_low:g} % and {air.preferred_low:g} % or more" in text
    assert f"drawn {DRAWS:,} times" in text
    assert f"{constant('max_height_m').value:.2f} m" in text
    assert f"held at {constant('carbon_cap_pct_dry').value:g} %" in text
    limits = layer_limits()
    assert f"Base and cap are {100 * limits['base'].thickness_min_m:g} cm" in text

    weights = Weights()
    for points in (
        f"| perishable stock left waiting | {weights.perishable:g} for",
        f"| scarce browns used up | {weights.scarce_brown:g} for",
        f"| water to carry | {weights.water:g} for",
        f"| each material more | {weights.ingredient:g} |",
        f"| a pile 1 % off the wanted size | {weights.amount_per_pct:g} |",
    ):
        assert points in text
