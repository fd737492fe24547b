"""What numbers beside a name decide: which chip a PCI id is, and whose family a family is."""

from collections.abc import Sequence
from typing import Final

from kbapi.chips.chip import ChipIds, ChipName

_PCI_VENDORS: Final = {"10de": "nvidia", "1002": "amd", "1022": "amd", "8086": "intel"}

# Family as the processor tells it (extended family included). Families that two makers use are
# left out: they decide nothing.
_FAMILY_MAKERS: Final = {
    6: ("intel", "via", "zhaoxin"), 15: ("intel", "amd"), 16: ("amd",), 17: ("amd",),
    20: ("amd",), 21: ("amd",), 22: ("amd",), 23: ("amd",), 24: ("hygon",), 25: ("amd",),
    26: ("amd",),
}  # fmt: skip

# PCI id, or PCI id and revision, of chips whose name alone does not tell them apart.
_PCI_CHIPS: Final[dict[str, str]] = {
    "10de:1b80": "nvidia-geforce-gtx-1080", "10de:1b81": "nvidia-geforce-gtx-1070",
    "10de:1ba0": "nvidia-geforce-gtx-1080-laptop", "10de:1be0": "nvidia-geforce-gtx-1080-laptop",
    "10de:1ba1": "nvidia-geforce-gtx-1070-laptop", "10de:1be1": "nvidia-geforce-gtx-1070-laptop",
    "10de:1c02": "nvidia-geforce-gtx-1060-3gb", "10de:1c03": "nvidia-geforce-gtx-1060-6gb",
    "10de:1c20": "nvidia-geforce-gtx-1060-laptop", "10de:1c60": "nvidia-geforce-gtx-1060-laptop",
    "10de:1c81": "nvidia-geforce-gtx-1050", "10de:1c82": "nvidia-geforce-gtx-1050-ti",
    "10de:1c8d": "nvidia-geforce-gtx-1050-laptop", "10de:1c8c": "nvidia-geforce-gtx-1050-ti-laptop",
    "10de:1f82": "nvidia-geforce-gtx-1650", "10de:1f99": "nvidia-geforce-gtx-1650-laptop",
    "10de:2182": "nvidia-geforce-gtx-1660-ti", "10de:2191": "nvidia-geforce-gtx-1660-ti-laptop",
    "10de:1f08": "nvidia-geforce-rtx-2060", "10de:1f11": "nvidia-geforce-rtx-2060-laptop",
    "10de:1f15": "nvidia-geforce-rtx-2060-laptop",
    "10de:1f02": "nvidia-geforce-rtx-2070", "10de:1f07": "nvidia-geforce-rtx-2070",
    "10de:1f10": "nvidia-geforce-rtx-2070-laptop", "10de:1f14": "nvidia-geforce-rtx-2070-laptop",
    "10de:1e84": "nvidia-geforce-rtx-2070-super",
    "10de:1e91": "nvidia-geforce-rtx-2070-super-laptop",
    "10de:1ed1": "nvidia-geforce-rtx-2070-super-laptop",
    "10de:1e82": "nvidia-geforce-rtx-2080", "10de:1e87": "nvidia-geforce-rtx-2080",
    "10de:1e90": "nvidia-geforce-rtx-2080-laptop", "10de:1ed0": "nvidia-geforce-rtx-2080-laptop",
    "10de:1e81": "nvidia-geforce-rtx-2080-super",
    "10de:1e93": "nvidia-geforce-rtx-2080-super-laptop",
    "10de:1ed3": "nvidia-geforce-rtx-2080-super-laptop",
    "10de:1eb0": "nvidia-quadro-rtx-5000", "10de:1eb1": "nvidia-quadro-rtx-4000",
    "10de:1eb5": "nvidia-quadro-rtx-5000-laptop", "10de:1eb6": "nvidia-quadro-rtx-4000-laptop",
    "1002:67df/c7": "amd-radeon-rx-480", "1002:67df/cf": "amd-radeon-rx-470",
    "1002:67df/e7": "amd-radeon-rx-580", "1002:67df/ef": "amd-radeon-rx-570",
    "1002:67df/e1": "amd-radeon-rx-590",
    "1002:731f/c1": "amd-radeon-rx-5700-xt", "1002:731f/c4": "amd-radeon-rx-5700",
    "1002:731f/ca": "amd-radeon-rx-5600-xt",
    "1002:73bf/c0": "amd-radeon-rx-6900-xt", "1002:73bf/c1": "amd-radeon-rx-6800-xt",
    "1002:73bf/c3": "amd-radeon-rx-6800",
    "1002:73ff/c1": "amd-radeon-rx-6600-xt", "1002:73ff/c7": "amd-radeon-rx-6600",
    "1002:744c/c8": "amd-radeon-rx-7900-xtx", "1002:744c/cc": "amd-radeon-rx-7900-xt",
    "1002:7550/c0": "amd-radeon-rx-9070-xt", "1002:7550/c3": "amd-radeon-rx-9070",
}  # fmt: skip


def find_key(ids: ChipIds) -> str | None:
    """The canonical key of the chip that has this PCI id (and revision, where that decides)."""
    if ids.pci_id is None:
        return None
    pci_id = ids.pci_id.lower()
    revision = (ids.pci_revision or "").lower().removeprefix("0x")
    return _PCI_CHIPS.get(f"{pci_id}/{revision}") or _PCI_CHIPS.get(pci_id)


def possible_makers(ids: ChipIds) -> tuple[str, ...]:
    """The makers whose chips have such numbers; empty when the numbers do not tell."""
    if ids.pci_id is not None and (vendor := _PCI_VENDORS.get(ids.pci_id.lower()[:4])):
        return (vendor,)
    return () if ids.family is None else _FAMILY_MAKERS.get(ids.family, ())


def decided_by(ids: ChipIds, candidates: Sequence[ChipName]) -> tuple[ChipName, ...]:
    """The candidates that agree with the numbers; all of them when the numbers do not tell."""
    key = find_key(ids)
    if named := tuple(chip for chip in candidates if chip.key == key):
        return named
    makers = possible_makers(ids)
    agreeing = tuple(chip for chip in candidates if not makers or chip.maker in makers)
    kind = "gpu" if ids.pci_id is not None else "cpu" if ids.family is not None else None
    of_kind = tuple(chip for chip in agreeing if kind is None or chip.kind == kind)
    return of_kind or agreeing or tuple(candidates)


def find_conflict(ids: ChipIds, chip: ChipName) -> str | None:
    """A sentence on how the numbers contradict the chip's name."""
    makers = possible_makers(ids)
    if makers and chip.maker not in makers:
        return "The numbers sent beside the name belong to a chip of another maker."
    if chip.kind == "cpu" and find_key(ids) is not None:
        return "The name is a processor's, but the PCI id is that of a graphics chip."
    key = find_key(ids)
    if key is not None and _without_design(key) != _without_design(chip.key):
        return "The PCI id belongs to another model than the name."
    return None


def _without_design(key: str) -> str:
    """A key with Max-Q read as laptop: before the third RTX generation they share PCI ids."""
    return key.replace("-max-q", "-laptop")
