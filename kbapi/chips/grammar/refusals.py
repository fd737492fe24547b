"""What is no chip model at all, each kind with the sentence that says so."""

import re
from dataclasses import dataclass
from typing import Final

from kbapi.chips.chip import RefusedNameCode


@dataclass(frozen=True, slots=True)
class Refusal:
    """One kind of text that names no chip model."""

    code: RefusedNameCode
    pattern: re.Pattern[str]
    reason: str


def _refusal(code: RefusedNameCode, reason: str, *patterns: str) -> Refusal:
    return Refusal(code, re.compile("|".join(patterns)), reason)


# Searched for in the folded text (lower case, marks gone, one space between words).
REFUSALS: Final[tuple[Refusal, ...]] = (
    _refusal(
        "cut_name",
        "The table that printed this name cut it off. Send the whole name.",
        r"\.\.",
    ),
    _refusal(
        "virtual_chip",
        "This is the name of a virtual machine's or cloud host's chip, which hides the real one.",
        r"\b(?:qemu|kvm|virtual|svga|qxl|bochs|hyper-?v|parallels|citrix|xen|tcg|bhyve|cirrus)\b",
        r"virtualbox|virtualapple|vmware|svga3d|\bvirgl|\bvirtio|\bvenus\b|\bred hat\b",
        r"\b(?:mxgpu|vgpu|grid|cloud|vdi)\b|\bremote desktop\b|^apple processor\b",
        # Model numbers with letters for the unknown digits, and the code names behind them.
        r"^(?!.*\bgraphics\b).*\b[a-z]?\d{0,3}xx\b|\b\dx\d\b|\bclass (?:core|opteron)\b",
        r"\bprocessor \([a-z][a-z -]*(?:, [a-z ]+)*\)|^amd epyc(?:-[a-z0-9]+)? processor",
        r"\bintel (?:core|xeon) processor *(?:\(|$)|^(?:intel )?xeon(?: cpu| processor)* *(?:@|$)",
        # A slice of a card that a server lends out is named by the card, a size and a letter.
        r"\b(?:a\d{2,3}[a-z]*|rtx ?\d{4}|t4)-\d{1,2}[qcba]\b",
    ),
    _refusal(
        "software_renderer",
        "This is a program that draws without a graphics chip.",
        r"llvmpipe|softpipe|swiftshader|swrast|software rasteri[sz]er|\blavapipe\b|\bopenswr\b",
        r"basic render|basic display|gdi generic|\bwarp\b|apple software|\bmesa offscreen\b",
        r"\bstandard vga\b|\bvga graphics adapter\b|\bdisplaylink\b|\bmirror driver\b|\bidd\b",
    ),
    _refusal(
        "engineering_sample",
        "This is an engineering or unprogrammed sample, whose name carries no model.",
        r"\bgenuine\b|\beng(?:ineering)?\.? sample(?!$)|^amd eng(?:ineering)? sample",
        r"\b100-\d{9}|\bintel cpu 0+\b|%@|\bqual(?:ification)? sample",
    ),
    _refusal(
        "placeholder",
        "This is a placeholder that the machine's maker never filled in.",
        r"to be filled|^o\.?e\.?m\.?$|\bby o\.?e\.?m\b|default string|\bsystem product\b",
        r"\bnot (?:specified|available|applicable)|\b(?:undefined|null|none|invalid)\b",
        r"\bunknown\b(?! (?:amd|intel|nvidia) (?:gpu|graphics))",
        r"\bn/a\b|^(?:0x)?[0-9a-f]{1,2}$|^0x[0-9a-f]+$|^\d\d?/\d\d$|^[cg]pu ?\d*$|^generic\b",
    ),
    _refusal(
        "unnamed_device",
        "The system's own table of names does not know this device.",
        r"\bdevice [0-9a-f]{4}\b",
    ),
    _refusal(
        "not_a_model",
        "This names an architecture or a core revision, not a chip.",
        r"\bfamily \d+,? model\b|\bmodel \d+ stepping\b|\bstepping \d+\b",
        r"^(?:x86|x86-64|amd64|arm64|i[3-6]86|ia64|ppc64(?:le)?)$|\briscv|\brisc-v\b",
        r"\barmv\d|\bcortex\b|\bneoverse\b|\baarch64\b|\bthunderx|\bbcm\d{4}|\braspberry\b",
        r"\bpower(?:pc|\d+)\b|\bmips\b|\bsparc\b|\bs/?390|\bloongson\b|\bgodson\b",
    ),
    _refusal(
        "other_architecture",
        "Only x86 processors and those of current Arm computers are pooled.",
        r"\bitanium\b|\balpha\b|\bgeode\b|\bquark\b|\bvortex86\b|\brise\b",
    ),
    _refusal(
        "too_old",
        "Chips from before 2008 are not pooled.",
        r"\bpentium (?:pro|ii|iii|iv|[1234]|d(?! 15\d\d)|mmx|m|60|75|90|1\d\d|200)\b(?! ?v\d)",
        r"\bpentium ?[234]\b|\bcoppermine\b|\bkatmai\b|\bk[567]\b",
        # The number has to be the whole of it: newer chips are called 386H, 486V and Ryzen 5 586.
        r"^(?:[a-z ]*: ?)?(?:(?:intel|amd|ibm|nexgen|cpu|processor) )*(?:80|am|nx)?[3456]x?86"
        r"(?:[sd]x(?:\d|l)?)?(?:[ /-].*)?$",
        r"\bceleron (?:[dm] )?(?:cpu |processor )?\d[\d.]* ?[gm]hz|\bceleron \(",
        r"\bxeon (?:cpu |processor )?\d\.\d+ ?ghz|\bopteron (?:processor )?\d{3}\b",
        r"\b(?:crusoe|efficeon|transmeta|cyrix|idt|winchip|centaur|duron)\b|\bvia c[37]\b",
        r"\bvia (?:samuel|ezra|nehemiah|esther)\b",
        r"\bathlon (?:xp|mp|fx|64)\b|\bturion 64\b|\b(?:sempron|athlon).* \d{4}\+",
        r"^(?:amd )?athlon processor$",
        r"\briva\b|\bvoodoo\b|\brage\b|\bgeforce(?: ?[234]| fx| pcx)\b",
    ),
    _refusal(
        "management_graphics",
        "This graphics chip of a server's management unit cannot be tuned.",
        r"\baspeed\b|\bmatrox\b|\bsilicon motion\b|\bsis\b|\bxgi\b|\bs3 graphics\b|\bchrome\d",
    ),
)


def find_refusal(folded: str) -> Refusal | None:
    """The first kind of text-that-is-no-model that this text belongs to."""
    return next((row for row in REFUSALS if row.pattern.search(folded)), None)
