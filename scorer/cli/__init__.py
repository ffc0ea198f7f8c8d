"""The command: parse, call, print."""

from __future__ import annotations

import click

from scorer.cli.advise import advise
from scorer.cli.app import app
from scorer.cli.crews import crews
from scorer.cli.models import models
from scorer.cli.plan import plan
from scorer.cli.print_sheets import print_
from scorer.cli.rebuild import rebuild
from scorer.cli.records import records
from scorer.cli.score import score
from scorer.cli.train import train


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="mango-tray-scorer", prog_name="scorer")
def main() -> None:
    """Score skin marks on trays of sampled mangoes from phone photos."""


for command in (score, records, crews, advise, plan, print_, models, train, rebuild, app):
    main.add_command(command)
