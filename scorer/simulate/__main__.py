"""Write a set of simulated trays: ``python -m scorer.simulate OUT --trays N --seed S [--size 2016x1512]``."""

from __future__ import annotations

from pathlib import Path

import click
import cv2

from scorer.simulate import TraySettings, simulate_tray, write_tray


def _size(_: click.Context, __: click.Parameter, value: str | None) -> tuple[int, int] | None:
    if value is None:
        return None
    width, cross, height = value.partition("x")
    if not (cross and width.isdigit() and height.isdigit()):
        raise click.BadParameter(f"write width x height in pixels, such as 2016x1512, not {value!r}")
    return int(width), int(height)


@click.command()
@click.argument("out", type=click.Path(file_okay=False, path_type=Path))
@click.option("--trays", type=click.IntRange(min=1), default=10, show_default=True, help="How many trays.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="The same seed, the same trays.")
@click.option("--size", callback=_size, help="Size of every photo, such as 2016x1512; otherwise drawn.")
def main(out: Path, trays: int, seed: int, size: tuple[int, int] | None) -> None:
    """Write photos and truth of simulated trays to the folder OUT."""
    cv2.setNumThreads(1)
    for index in range(trays):
        write_tray(simulate_tray([seed, index], TraySettings(image_size=size)), out, f"tray_{index:04d}")
    click.echo(f"{trays} trays written to {out}")


if __name__ == "__main__":
    main()
