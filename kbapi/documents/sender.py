"""The content of the sender's file: contributor token, unit tokens and receipts.

The guide "Data format" describes it: commands keep it on the sender's disk, pages hand it over.
"""

import secrets
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from kbapi.errors import UnsafeSetup

_Token = Annotated[str, Field(pattern=r"^[A-Za-z0-9._~-]{16,128}$")]
_TOKEN_BYTES: Final = 18


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class SenderUnit(_Part):
    """One physical chip of the sender."""

    chip: str
    machine: str
    """The name of the machine, without a serial number; empty where none was given."""
    unit_token: _Token


class SavedReceipt(_Part):
    """The receipt of one result."""

    receipt: str
    chip: str
    day: str
    """The day of sending, YYYY-MM-DD."""
    server: str
    """The address of the server, or the folder of a local instance."""


class Sender(_Part):
    """The content of the file."""

    version: Literal[1] = 1
    contributor_token: _Token = Field(default_factory=lambda: new_token())
    units: list[SenderUnit] = Field(default_factory=list)
    receipts: dict[str, SavedReceipt] = Field(default_factory=dict)
    """By the id of the result."""

    def unit_token(self, chip: str, machine: str) -> str:
        """The unit token of this chip in this machine, created at its first use.

        A result without a name of a machine belongs to the only unit of its chip.

        Raises
        ------
        UnsafeSetup
            When there are several such units: a wrong token would merge two machines.
        """
        units = [unit for unit in self.units if unit.chip == chip]
        named = [unit for unit in units if _same(unit.machine, machine)]
        if not named and not machine and len(units) > 1:
            names = ", ".join(unit.machine for unit in units)
            raise UnsafeSetup(f"You have this chip in several machines. Add --machine: {names}.")
        if not named:
            named = units if not machine else [unit for unit in units if not unit.machine]
        if not named:
            named = [SenderUnit(chip=chip, machine=machine, unit_token=new_token())]
            self.units += named
        named[0].machine = named[0].machine or machine
        return named[0].unit_token


def new_token() -> str:
    """A new random token, of 24 characters."""
    return secrets.token_urlsafe(_TOKEN_BYTES)


def _same(one: str, other: str) -> bool:
    return one.strip().casefold() == other.strip().casefold()
