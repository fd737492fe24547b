"""`python -m tests.house.write_settings` writes the README's table of settings from the class."""

import re
from pathlib import Path

from kbapi.settings import Settings

README = Path(__file__).parents[2] / "README.md"
HEAD = "| setting | unless given | meaning |\n|---|---|---|\n"
TABLE = re.compile(re.escape(HEAD) + r"(?:\|.*\n)*")


def generated() -> str:
    return HEAD + "".join(
        f"| `KBAPI_{name.upper()}` | {_told(field.default)} | {field.description} |\n"
        for name, field in Settings.model_fields.items()
    )


def _told(default: object) -> str:
    return f"`{default}`" if default not in ("", ()) else ""


if __name__ == "__main__":
    README.write_text(TABLE.sub(lambda _: generated(), README.read_text()))
