"""Rebuild the files of the demonstration plant: ``python -m demo_data.build``.

The seeds are fixed, so the files come out the same.
"""

import argparse
from pathlib import Path

from demo_data.exports import EXPORTS, write
from demo_data.hidden import what_was_hidden
from demo_data.register import maintenance, register

HERE = Path(__file__).parent


def build(into: Path) -> list[Path]:
    """Write trend files, register, maintenance log and the page of truths; return their paths."""
    files = into / "files"
    files.mkdir(parents=True, exist_ok=True)
    texts = {
        "plant.toml": register(),
        "maintenance.csv": maintenance(),
        "what_was_hidden.md": what_was_hidden(),
    }
    paths = []
    for name, text in texts.items():
        path = into / name
        path.write_text(text, encoding="utf-8", newline="\n")
        paths.append(path)
    for export in EXPORTS:
        paths += write(export, files)
    return paths


def main() -> None:
    """Parse the command line and build."""
    parser = argparse.ArgumentParser(description="Rebuild the files of the demonstration plant.")
    parser.add_argument("--into", type=Path, default=HERE, help="folder to write into")
    for path in build(parser.parse_args().into):
        print(f"{path}  {path.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
