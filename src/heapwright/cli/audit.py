"""``heapwright audit``: does the ledger add up?"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from heapwright.yard.audit import Audit, Balance

LINES = (
    ("received", "in_kg"),
    ("at the opening", "opening_kg"),
    ("water", "water_kg"),
    ("found on weighing", "gained_kg"),
    ("standing", "standing_kg"),
    ("to beds", "to_beds_kg"),
    ("to people", "to_people_kg"),
    ("disposed of", "disposed_kg"),
    ("to the air", "to_air_kg"),
    ("does not add up", "residual_kg"),
)
BETWEEN_LOTS = ("from_lots_kg", "to_lots_kg")  # they cancel out over the site


@click.command()
@click.option("--deep", is_flag=True, help="Also make every daily summary anew and compare, and "
              "let the database check itself; minutes after years of loggers.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def audit(deep: bool, as_json: bool) -> None:
    """Check that the site's ledger adds up: mass in = standing + out + lost to the air.

    Looks at every lot and at the whole site in HEAPWRIGHT_DATA, and repairs nothing. Exit code
    1 when there is something to look at, 0 when there is not.
    """
    from heapwright.cli.site import open_records

    open_records()
    from heapwright.yard.audit import audit as audit_site

    found = audit_site(deep=deep)
    if as_json:
        import json

        click.echo(json.dumps(_summary(found), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        click.echo(_text(found))
    if found.findings:
        sys.exit(1)


def _balance(one: Balance) -> dict[str, float]:
    return {name: getattr(one, name) for name in (*(name for _, name in LINES), *BETWEEN_LOTS)}


def _summary(found: Audit) -> dict[str, Any]:
    return {
        "adds_up": found.adds_up,
        "site": _balance(found.site),
        "lots": {code: _balance(one) for code, one in found.lots.items()},
        "findings": [
            {"what": one.what, "lot": one.lot, "entry": one.entry_id, "grave": one.grave}
            for one in found.findings
        ],
    }


def _text(found: Audit) -> str:
    lines = [f"The site, {len(found.lots)} lots:"]
    lines += [f"  {label:<18}{getattr(found.site, name):>14,.1f} kg" for label, name in LINES]
    if not found.findings:
        return "\n".join([*lines, "It adds up."])
    lines.append("It adds up, but:" if found.adds_up else "It does not add up:")
    lines += [f"  - {one.what}" for one in found.findings]
    return "\n".join(lines)
