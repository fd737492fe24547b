"""What is no chip model at all, each kind with the sentence that says so."""

import re
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Refusal:
    """One kind of text that names no chip model."""

    code: str
    pattern: re.Pattern[str]
    reason: str


def _refusal(code: str, reason: str, *patterns: str) -> Refusal:
    return Refusal(code, re.compile("|".join(patterns)), reason)


# Searched for in the folded text (lower case, marks gone, one space between words).
REFUSALS: Final[tuple[Refusal, ...]] = (
    _refusal(
        "cut_name", "The name was cut off by the table that showed it; please send all of it.",
        r"\.\.",
    ),
    _refusal(
        "virtual_chip",
        "This is the name of a virtual machine's or cloud host's chip, which hides the real one.",
        r"\bqemu\b", r"\bkvm\b", r"\bvirtual\b", r"virtualbox|virtualapple|vmware|svga3d|\bsvga\b",
        r"\bvirgl|\bvirtio|\bvenus\b|\bqxl\b|\bbochs\b|\bhyper-?v\b|\bparallels\b|\bcitrix\b|\bxen\b",
        r"\bred hat\b|\bmxgpu\b|\bvgpu\b|\bgrid\b|\bremote desktop\b|\btcg\b|\bbhyve\b|\bcirrus\b",
        r"\b[a-z]?\d{0,3}xx\b|\d_?x\d\b|\bclass core\b|\bclass opteron\b",
        r"\bprocessor \((?!tm|r\))[a-z][a-z -]*(?:, [a-z ]+)*\)", r"^amd epyc(?:-[a-z0-9]+)? processor",
        r"\bintel core processor\b", r"\bintel xeon processor\b *(?:\(|$)", r"^(?:intel )?xeon cpu *@",
        r"\bcloud\b|\bvdi\b|^(?:intel )?xeon(?: cpu| processor)*$", r"^apple processor\b",
        r"\ba\d{2,3}[a-z]*-\d{1,2}[qcba]\b|\brtx ?\d{4}-\d{1,2}[qcba]\b|\bt4-\d{1,2}[qcba]\b",
    ),
    _refusal(
        "software_renderer", "This is a program that draws without a graphics chip.",
        r"llvmpipe|softpipe|swiftshader|swrast|software rasteri[sz]er|\blavapipe\b|\bopenswr\b",
        r"basic render|basic display|gdi generic|\bwarp\b|apple software|chromium os|\bmesa offscreen\b",
        r"\bstandard vga\b|\bvga graphics adapter\b|\bdisplaylink\b|\bmirror driver\b|\bidd\b",
    ),
    _refusal(
        "engineering_sample",
        "This is an engineering or unprogrammed sample, whose name carries no model.",
        r"\bgenuine\b", r"\beng(?:ineering)?\.? sample", r"\b100-\d{9}", r"\bintel cpu 0+\b",
        r"%@", r"\bes ?\d{4}\b|\bqual(?:ification)? sample",
    ),
    _refusal(
        "placeholder", "This is a placeholder that the machine's maker never filled in.",
        r"to be filled|\bo\.?e\.?m\.?$(?<!\d oem)|default string|not (?:specified|available|applicable)",
        r"\bunknown\b|\bundefined\b|\bnull\b|\bnone\b|\bn/a\b|\bsystem product\b|\binvalid\b",
        r"^(?:0x)?[0-9a-f]{1,2}$|^0x[0-9a-f]+$|^\d\d?/\d\d$|^cpu ?\d*$|^gpu ?\d*$|^generic\b",
    ),
    _refusal(
        "not_a_model", "This tells an architecture or a core revision, not which chip it is.",
        r"\bfamily \d+ model\b|\bmodel \d+ stepping\b|\bstepping \d+\b|\bfamily \d+,? model\b",
        r"^(?:x86|x86[_-]64|amd64|arm64|aarch64|i[3-6]86|ia64|ppc64(?:le)?|riscv\w*|armv\d\w*)$",
        r"\barmv\d|\bcortex\b|\bneoverse\b|\baarch64\b|\brisc-?v\b|\bthunderx|\bbcm\d{4}|\braspberry\b",
        r"\bpower(?:pc|\d+)\b|\bmips\b|\bsparc\b|\bs/?390|\bloongson\b|\bgodson\b",
    ),
    _refusal(
        "other_architecture", "Only x86 processors and those of current Arm computers are pooled.",
        r"\bitanium\b|\balpha\b|\bhp pa\b|\bgeode\b|\bquark\b|\bvortex86\b|\brise\b",
    ),
    _refusal(
        "too_old", "Processors from before 2008 are not pooled.",
        r"\bpentium (?:pro|ii|iii|iv|[1234d]|mmx|m|60|75|90|1\d\d|200)\b(?! ?v\d)", r"\bpentium ?[234]\b",
        r"\bceleron (?:[dm]|m processor)? ?(?:cpu |processor )?\d\.\d+ ?ghz", r"\bcoppermine\b|\bkatmai\b",
        r"\bceleron (?:cpu |processor )?\d+ ?mhz", r"\bceleron \(", r"\bcrusoe\b|\befficeon\b|\btransmeta\b",
        r"\b[3456]86|\bk[567]\b|\bathlon xp\b|\bathlon mp\b|\bduron\b|\bcyrix\b|\bidt\b|\bwinchip\b|\bcentaur\b",
        r"\bathlon 64\b|\bturion 64\b|\bsempron.* \d{4}\+|\bathlon.* \d{4}\+|\bathlon fx\b|\bvia c[37]\b",
        r"\bvia (?:samuel|ezra|nehemiah|esther)\b|\bopteron (?:processor )?\d{3}\b|\bxeon \d\.\d+ ?ghz",
        r"\bxeon (?:cpu |processor )\d\.\d+ ?ghz|^athlon(?: tm)? processor$|^amd athlon processor$",
        r"\briva\b|\bvoodoo\b|\brage\b|\bgeforce(?: ?[234]| fx| pcx)\b|\bradeon x?\d{3,4}(?: pro| se| xt)? agp",
    ),
    _refusal(
        "management_graphics", "This graphics chip of a server's management unit cannot be tuned.",
        r"\baspeed\b|\bmatrox\b|\bsilicon motion\b|\bsis\b|\bxgi\b|\bs3 graphics\b|\bchrome\d",
    ),
)  # fmt: skip


def find_refusal(folded: str) -> Refusal | None:
    """The first kind of text-that-is-no-model that this text belongs to."""
    return next((row for row in REFUSALS if row.pattern.search(folded)), None)
