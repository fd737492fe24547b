"""Text and numbers in, one chip out, or the candidates that it may be."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from kbapi.chips.chip import ChipIds, ChipName, Identification, ReadNameCode, RefusedNameCode
from kbapi.chips.grammar import cleaning, families, reading
from kbapi.vocabulary import ChipKind, Form

_PCI_VENDORS: Final = {"10de": "nvidia", "1002": "amd", "1022": "amd", "8086": "intel"}

# Family as the processor reports it (extended family included). Families that two makers use are
# left out: they decide nothing.
_FAMILY_MAKERS: Final = {
    6: ("intel", "via", "zhaoxin"), 15: ("intel", "amd"), 16: ("amd",), 17: ("amd",),
    20: ("amd",), 21: ("amd",), 22: ("amd",), 23: ("amd",), 24: ("hygon",), 25: ("amd",),
    26: ("amd",),
}  # fmt: skip

# PCI id, or PCI id and revision, of chips that share a name.
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
    """The makers whose chips have such numbers; empty when the numbers leave it open."""
    if ids.pci_id is not None and (vendor := _PCI_VENDORS.get(ids.pci_id.lower()[:4])):
        return (vendor,)
    return () if ids.family is None else _FAMILY_MAKERS.get(ids.family, ())


def decided_by(ids: ChipIds, candidates: Sequence[ChipName]) -> tuple[ChipName, ...]:
    """The candidates that agree with the numbers; all of them when the numbers leave it open."""
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


@dataclass(frozen=True, slots=True)
class Refusal:
    """One kind of text that names no chip model."""

    code: RefusedNameCode
    pattern: re.Pattern[str]
    reason: str


def _refusal(code: RefusedNameCode, reason: str, *patterns: str) -> Refusal:
    return Refusal(code, re.compile("|".join(patterns)), reason)


# Searched for in the folded text (lower case, marks gone, one space between tokens).
REFUSALS: Final[tuple[Refusal, ...]] = (
    _refusal(
        "cut_name",
        "The table that printed this name cut it off. Send the whole name.",
        r"\.\.",
    ),
    _refusal(
        "virtual_chip",
        "This is the name of a virtual machine's or cloud host's chip, which hides the real one.",
        r"\b(?:virtual(?:box|apple)|vmware|svga3d|virgl|virtio|mxgpu|vgpu|(?:qemu|kvm|virtual|svga|"
        r"qxl|bochs|hyper-?v|parallels|citrix|xen|tcg|bhyve|cirrus|venus|red hat|grid|cloud|vdi|"
        # Model numbers with letters for the unknown digits, and the code names behind them.
        r"remote desktop|\dx\d|class (?:core|opteron)|"
        # A slice of a card that a server lends out is named by the card, a size and a letter.
        r"(?:a\d{2,3}[a-z]*|rtx ?\d{4}|t4)-\d{1,2}[qcba])\b|"
        r"processor \([a-z][a-z -]*(?:, [a-z ]+)*\)|intel (?:core|xeon) processor *(?:\(|$))",
        r"^(?:apple processor\b|amd epyc(?:-[a-z0-9]+)? processor|"
        r"(?:intel )?xeon(?: cpu| processor)* *(?:@|$)|(?!.*\bgraphics\b).*\b[a-z]?\d{0,3}xx\b)",
    ),
    _refusal(
        "software_renderer",
        "This is a program that draws without a graphics chip.",
        r"\b(?:llvmpipe|softpipe|swiftshader|swrast|software rasteri[sz]er|basic render|"
        r"basic display|gdi generic|apple software|(?:lavapipe|openswr|warp|mesa offscreen|"
        r"standard vga|vga graphics adapter|displaylink|mirror driver|idd)\b)",
    ),
    _refusal(
        "engineering_sample",
        "This is an engineering or unprogrammed sample, whose name carries no model.",
        r"\b(?:genuine\b|eng(?:ineering)?\.? sample(?!$)|100-\d{9}|intel cpu 0+\b|"
        r"qual(?:ification)? sample)|^amd eng(?:ineering)? sample|%@",
    ),
    _refusal(
        "placeholder",
        "This is a placeholder that the machine's maker never filled in.",
        r"\b(?:to be filled|default string|"
        r"not (?:specified|available|applicable|installed|present)|"
        r"(?:by o\.?e\.?m|system product|undefined|null|none|invalid|n/a|tbd|dummy|placeholder|"
        r"unknown(?! (?:amd|intel|nvidia) (?:gpu|graphics)))\b)",
        r"^(?:o\.?e\.?m\.?|(?:0x)?[0-9a-f]{1,2}|0x[0-9a-f]+|\d\d?/\d\d|[cg]pu ?\d*|x+|-+|"
        r"(?:intel|amd|nvidia|via)?(?: ?[cg]pu| processor| graphics card)?|"
        r"(\d)\1*|1234\d*|(?:your|my|the|some|any|a|test|sample|example) (?:cpu|gpu|chip|card|"
        r"processor)(?: \w+)?)$|^generic\b",
    ),
    _refusal(
        "unnamed_device",
        "The system's own table of names does not know this device.",
        # A list for programs ends with the device of the board's maker.
        r"\bdevice [0-9a-f]{4}\b(?!\"$)",
    ),
    _refusal(
        "not_a_model",
        "This names an architecture or a core revision, not a chip.",
        r"\b(?:riscv|armv\d|thunderx|bcm\d{4}|s/?390|cpu implementer|(?:family \d+,? model|"
        r"model \d+ stepping|stepping \d+|risc-v|cortex|neoverse|aarch64|raspberry|power(?:pc|\d+)|"
        r"mips|sparc|loongson|godson)\b)|^(?:x86|x86-64|amd64|arm64|i[3-6]86|ia64|ppc64(?:le)?)$",
    ),
    _refusal(
        "other_architecture",
        "Only x86 processors and those of current Arm computers are pooled.",
        r"\b(?:itanium|alpha|geode|quark|vortex86|rise)\b",
    ),
    _refusal(
        "too_old",
        "Chips from before 2008 are not pooled.",
        r"\b(?:pentium (?:pro|ii|iii|iv|[1234]|d(?! 15\d\d)|mmx|m|60|75|90|1\d\d|200)\b(?! ?v\d)|"
        r"(?:pentium ?[234]|coppermine|katmai|k[567]|via (?:c[37]|samuel|ezra|nehemiah|esther)|"
        r"crusoe|efficeon|transmeta|cyrix|idt|winchip|centaur|duron|athlon (?:xp|mp|fx|64)|"
        r"turion 64|opteron (?:processor )?\d{3}|riva|voodoo|rage|geforce(?: ?[234]| fx| pcx))\b|"
        r"celeron (?:[dm] )?(?:cpu |processor )?\d[\d.]* ?[gm]hz|celeron \(|"
        r"xeon (?:cpu |processor )?\d\.\d+ ?ghz)",
        # The number has to be the whole of it: newer chips are called 386H, 486V and Ryzen 5 586.
        r"^(?:[a-z ]*: ?)?(?:(?:intel|amd|ibm|nexgen|cpu|processor) )*(?:80|am|nx)?[3456]x?86"
        r"(?:[sd]x(?:\d|l)?)?(?:[ /-].*)?$",
        r"^(?>.*?\b(?:sempron|athlon)\b).* \d{4}\+|^(?:amd )?athlon processor$",
    ),
    _refusal(
        "management_graphics",
        "This graphics chip of a server's management unit cannot be tuned.",
        r"\b(?:(?:aspeed|matrox|silicon motion|sis|xgi|s3 graphics)\b|chrome\d)",
    ),
)


def find_refusal(folded: str) -> Refusal | None:
    """The first refusal whose pattern this text contains."""
    return next((row for row in REFUSALS if row.pattern.search(folded)), None)


_REASONS: Final[dict[ReadNameCode, str]] = {
    "named": "The name says which chip it is.",
    "key": "This is the chip's canonical key.",
    "decided_by_ids": "Several chips share this name; the numbers sent beside it decide.",
    "decided_by_form": "Several chips share this name; the machine's form decides.",
    "engineering_sample": "This is an engineering sample, which may differ from the model sold.",
    "shared_name": "Desktop and laptop parts or sizes of memory share this name.",
    "several": "Several chips share this name; choose one.",
    "family_name": "This names a family of chips, not one chip.",
    "unreadable": "This does not read as a chip's name.",
    "unknown_name": "No known chip has this name. Send it as the system prints it.",
}
_OTHER_KIND: Final[dict[ChipKind, str]] = {
    "cpu": "The name is a processor's, but graphics were asked for.",
    "gpu": "The name is a graphics chip's, but a processor was asked for.",
}


_MOST_NAMES: Final = 8
# Graphics that a machine has beside the chip that is tuned.
_BESIDE_A_CHIP: Final = ("software_renderer", "management_graphics")


def identify_chip(
    text: str, *, kind: ChipKind | None = None, form: Form | None = None, ids: ChipIds | None = None
) -> Identification:
    """What the text names: one chip, several candidates, or nothing with a reason.

    The text is a name, or a record with a line that names the chip.
    """
    names = cleaning.names_in(text)[:_MOST_NAMES]
    found = [_identify_name(name, kind, form, ids) for name in names]
    if len(found) == 1:
        return found[0]
    tunable = [one for one in found if one.code not in _BESIDE_A_CHIP] or found[:1]
    if len({one.chip for one in tunable}) == 1:
        return tunable[0]
    keys = (key for one in tunable for key in ((one.chip.key,) if one.chip else one.candidates))
    return replace(_ambiguous("several", ()), candidates=tuple(dict.fromkeys(keys)))


def _identify_name(
    text: str, kind: ChipKind | None, form: Form | None, ids: ChipIds | None
) -> Identification:
    folded = cleaning.fold(text)
    if not folded:
        return _none("unreadable")
    if refusal := find_refusal(folded):
        return Identification("none", None, (), refusal.code, refusal.reason)
    read = reading.read(folded, prints_desktop=_prints_desktop(text))
    ids = _with_embedded(ids, read)
    candidates = _candidates(read, kind)
    if by_key := next((chip for chip in candidates if chip.key == folded), None):
        answer = _exact("key", by_key)
    elif candidates:
        answer = _decide(read, candidates, form, ids)
    else:
        answer = _without_candidates(read, ids)
    return replace(answer, conflict=_find_conflict(answer, kind, ids))


def _prints_desktop(text: str) -> bool:
    """Whether case marks a desktop part: drivers print SUPER for it, and Super for a laptop's."""
    return "SUPER" in text and text != text.upper()


def _candidates(read: reading.Reading, kind: ChipKind | None) -> tuple[ChipName, ...]:
    """All chips that the reading can mean, the ones that share a printed name included."""
    chips = tuple(dict.fromkeys(one for chip in read.chips for one in reading.sharers(chip)))
    if read.mobile is not None:
        formed = tuple(c for c in chips if families.is_laptop_key(c.key) is read.mobile)
        chips = formed or chips
    return tuple(chip for chip in chips if chip.kind == kind) or chips


def _decide(
    read: reading.Reading, candidates: tuple[ChipName, ...], form: Form | None, ids: ChipIds
) -> Identification:
    """The answer that candidates, numbers and form allow."""
    if read.is_sample:
        return _ambiguous("engineering_sample", candidates)
    if len(candidates) == 1:
        only_one = not read.is_family or find_key(ids) == candidates[0].key
        return _exact("named", candidates[0]) if only_one else _ambiguous("several", candidates)
    if len(by_ids := decided_by(ids, candidates)) == 1:
        return _exact("decided_by_ids", by_ids[0])
    if len(by_form := _of_form(by_ids, form)) == 1:
        return _exact("decided_by_form", by_form[0])
    shared = len(read.chips) == 1 and not read.is_family
    return _ambiguous("shared_name" if shared else "several", by_ids)


def _without_candidates(read: reading.Reading, ids: ChipIds) -> Identification:
    """The answer to a family's name, and to a name that no rule covers."""
    if not read.is_family:
        near = reading.suggestions(read.tokens)
        return replace(_none("unknown_name"), candidates=tuple(chip.key for chip in near))
    key = find_key(ids)
    chip = reading.find_chip(key.replace("-", " ")) if key else None
    return _exact("decided_by_ids", chip) if chip else _ambiguous("family_name", ())


def _of_form(chips: tuple[ChipName, ...], form: Form | None) -> tuple[ChipName, ...]:
    if form not in ("laptop", "desktop"):
        return chips
    return tuple(c for c in chips if families.is_laptop_key(c.key) is (form == "laptop"))


def _with_embedded(ids: ChipIds | None, read: reading.Reading) -> ChipIds:
    """The numbers that were sent, completed with those in the text."""
    ids = ids or ChipIds()
    if ids.pci_id is None and read.pci_id is not None:
        return replace(ids, pci_id=read.pci_id, pci_revision=read.pci_revision)
    return ids


def _find_conflict(answer: Identification, kind: ChipKind | None, ids: ChipIds) -> str | None:
    """A sentence on how an exact name contradicts what was sent with it."""
    if answer.chip is None:
        return None
    # Apple's chips are both at once and have one name.
    if kind not in (None, answer.chip.kind) and answer.chip.maker != "apple":
        return _OTHER_KIND[answer.chip.kind]
    return find_conflict(ids, answer.chip)


def _exact(code: ReadNameCode, chip: ChipName) -> Identification:
    return Identification("exact", chip, (), code, _REASONS[code])


def _ambiguous(code: ReadNameCode, chips: tuple[ChipName, ...]) -> Identification:
    keys = tuple(chip.key for chip in chips)
    return Identification("ambiguous", None, keys, code, _REASONS[code])


def _none(code: ReadNameCode) -> Identification:
    return Identification("none", None, (), code, _REASONS[code])
