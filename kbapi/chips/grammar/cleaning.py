"""What systems print around a chip's name, and how it is taken off, row by row."""

import re
import unicodedata
from dataclasses import dataclass
from typing import Final

from kbapi.bounds import LONGEST_RECORD

LONGEST_NAME: Final = 256

_MARKS = re.compile(r"\(\s*(?:r|tm|c)\s*\)|[®™©℠]|â„¢|â®|&(?:reg|trade);", re.IGNORECASE)
_ODD_DASHES: Final = dict.fromkeys(map(ord, "‐‑‒–—−_"), "-") | {ord("×"): " x "}
# Spaces that take no room leak in from web pages; a byte order mark from files.
_ODD_SPACES: Final = dict.fromkeys(map(ord, "\u200b\ufeff\u2060\x00°"), " ")
# The name of a line in another alphabet, or with accents. Those in plain letters are labels below.
_FOREIGN_LABEL = re.compile(r"^(?=[^:：]*[^\x00-\x7f])(?:[^\W\d_]|[ '’.()-]){1,40}[:：] ?")
# What a kernel prints before and behind the name of the first processor.
_KERNEL_HEAD = re.compile(r"^.*\bsmpboot: |^\[ ?\d+\.\d+\] ")
_KERNEL_TAIL = re.compile(
    r" ?\(fam(?:ily)?: [^()]*+\)$| \([\d.]+-mhz [a-z0-9]+-class cpu\)$|, id 0x[0-9a-f]+$"
    r"|, [\d.]+ mhz, [0-9a-f]{2}-[0-9a-f]{2}-[0-9a-f]{2}$|(?<= ghz) stepping [0-9a-f]{1,2}$"
    r"|(?<=\dghz) stepping [0-9a-f]{1,2}$"
)
# The trademark sign read in the wrong character set is left over as a letter.
_MARK_LEFT_OVER = re.compile(
    r"\b(intel|core|celeron|pentium|xeon|atom|amd|ryzen|geforce)(?:tm|t|r)\b"
)
# Endings that firmware appends to a name without information.
_FIRMWARE_TAIL = re.compile(
    r"^(\D*+\d.*?) (?:to be filled by o\.?e\.?m\.?|fill(?:ed)? by o\.?e\.?m\.?|unknown|none|"
    r"not specified|default string|o\.e\.m\.)(?: cpu)?(?: @ ?[\d.]+ ?[gm]hz)?[\s\"'`,;:*]*$"
)
_WRITTEN = re.compile(r"[ -~]*")


def fold(text: str) -> str:
    """The text in lower case with marks gone and one space between tokens; "" for no text."""
    if len(text) > LONGEST_RECORD:
        return ""
    text = " ".join(text.translate(_ODD_SPACES).split())
    if len(text) > LONGEST_NAME:
        return ""
    text = _MARKS.sub(" ", _FOREIGN_LABEL.sub("", text)).translate(_ODD_DASHES)
    text = text.replace("\\[", "[").replace("\\]", "]")
    text = unicodedata.normalize("NFKC", text).lower()
    if not _WRITTEN.fullmatch(text):
        return ""
    text = _MARK_LEFT_OVER.sub(r"\1", " ".join(text.split()))
    return _FIRMWARE_TAIL.sub(r"\1", _KERNEL_TAIL.sub("", _KERNEL_HEAD.sub("", text)))


# How the lines of a record begin that name its chips, the surest first: the list of a kernel in any
# language, its log, a registry, a renderer or driver, a bus, a list of devices.
_NAME_LINES: Final = (
    r"model name\s*:|mod(?:el|ell)[a-z]{2,6}\s*:|modem ismi:|(?:nome?|nombre) d[eo]l? modell?o\s*:|"
    r"nazwa modelu:|ime modela:|mallinimi:|název modelu:|nom de modèle\s*:|имя модели:|"
    r"назва моделі:|tên mô hình:|型号名称：|モデル名:",
    r"smpboot: cpu0:",
    r"\"?processornamestring(?:\"=|\s+reg_sz\b|\s*:)",
    r"machdep\.cpu\.brand_string:",
    r"(?:opengl |gl_|unmasked )?renderer(?: string)?\s*[:=]",
    r"(?:devicename|device name|card name|chipset model|chip)\s*[:=]",
    r"(?:[0-9a-f:]{5,12}\.\d )?(?:vga compatible|3d|display) controller\b",
    r"driverdesc\s+reg_sz\b",
    r"device\s*:",
    r"(?:processor name|processor|name|version)\s*[:=](?!\s*\d{1,3}$)",
)
# It holds the name of the machine.
_LOG_HEAD: Final = re.compile(r"^.*\b(?=smpboot: )")
_NAME_LINE: Final = re.compile(
    "|".join(f"(?P<rank_{rank}>{begin})" for rank, begin in enumerate(_NAME_LINES)), re.IGNORECASE
)


def names_in(text: str) -> tuple[str, ...]:
    """The lines of a record that name its chips, each once; a text of one line is its own name."""
    if len(text) > LONGEST_RECORD:
        return (text,)
    lines = [_LOG_HEAD.sub("", line.strip()) for line in text.splitlines()]
    if len(lines) <= 1:
        return (lines[0] if lines and "smpboot" in text else text,)
    named: dict[str, dict[str, None]] = {}
    for line in lines:
        if (found := _NAME_LINE.match(line)) and found.end() < len(line):
            named.setdefault(str(found.lastgroup), {})[line] = None
    return tuple(named[min(named)]) if named else (text,)


@dataclass(frozen=True, slots=True)
class Substitution:
    """One thing that is taken off or put into its usual form."""

    name: str
    pattern: re.Pattern[str]
    by: str


def _off(name: str, *patterns: str, by: str = " ") -> Substitution:
    return Substitution(name, re.compile("|".join(patterns)), by)


_LABEL: Final = (
    r"(?:opengl |gl-?|vulkan |machdep\.cpu\.|current |primary |installed |sys |bios )?"
    r"(?:model name|brand(?:[_ -]?(?:string|raw))?|processor(?: name| type| model)?|"
    r"cpu(?: model| name| type| brand)?(?: ?#?\d)?|gpu(?: model| name| type)?(?: ?#?\d)?|"
    r"graphics(?: card| adapter| processor| chip)?|video(?: card| adapter)?|display(?: adapter)?|"
    r"chipset model|chip(?:set)?(?: type)?|(?:unmasked[ -])?renderer(?: string)?|"
    r"device ?(?:name)?(?: ?#?\d)?|name|driverdesc|id-model-from-database|"
    r"model(?:lname|lnamn|navn|naam)|(?:nome?|nombre) d[eo]l? modell?o|nazwa modelu|ime modela|"
    r"mallinimi|modem ismi|pro[cz]ess?(?:or|eur|ore|ador)|procesador|grafikkarte|"
    r"(?:carte|tarjeta|placa|scheda) (?:graphique|grafica|video)|"
    r"card(?: name)?|product(?: name)?|description|caption|model|"
    r"version|adapter(?: \d)?)"
)

# What people and tools write behind an at sign. It holds no word of a name, so that a second chip
# or a suffix behind the sign is not lost.
_NOTE: Final = (
    r"[0-9a-f]{1,2}:[0-9a-f]{2}\.\d|\d++(?:[.,]\d++)?(?: ?(?:[gm]hz|m?v|w|c|%|x))?|pci:\d+:\d+:\d+|"
    r"pci(?:e|-express)?(?: ?x\d\d?)?|"
    r"(?:socket )?(?:am\d\+?|f[mp]\d\+?|s?tr\d|lga ?\d{3,4}|bga ?\d{4})|"
    r"stock|default|auto|manual|all|single|cores?|boost|turbo|base|max|oc|uv|undervolt(?:ed|ing)?|"
    r"overclock(?:ed|ing)?|offset|curve|optimi[sz]er|pbo2?|idle|load|full|fixed|locked|up|to|"
    r"volts?|degrees|ht|smt|on|off"
)

# What graphics inside a processor are called behind it.
_INSIDE: Final = (
    r"integrated|amd|ati|intel|radeon|vega|graphics|gfx|gpu|mobile|rx(?= vega)|iris|plus|xe|arc|"
    r"u?hd|"
    r"r[2-9][ed]?|m|g[hl]|[1-9]|1\d|[4-9]\d0m|80\d0s|\d{4}[dg]|1[34]0[vt]|(?<=graphics )\d{3,4}|"
    r"(?<=plus )\d{3}|(?<=hd )\d{3}"
)

# The first card of the text; whatever follows belongs to it.
_CARD: Final = r"\b(?:[rg]tx|rx) ?\d{3,4}\b"

SUBSTITUTIONS: Final[tuple[Substitution, ...]] = (
    _off("quotes", r"^[\s\"'`,;:*-]+|[\s\"'`,;:*]+$", by=""),
    _off("bus_address", r"^(?:[0-9a-f]{4}:)?[0-9a-f]{2}:[0-9a-f]{2}\.\d ", by=""),
    _off("bus_class",
         r"^(?:vga compatible|3d|display|video) controller(?: \[\d{4}\])?: ?", by=""),
    _off("registry", r"^.*\bprocessornamestring(?:\"?=| reg-sz | ?: ?)|^driverdesc reg-sz ", by=""),
    _off("label", rf"^{_LABEL}[\"']? ?[:=] ?", by=""),
    _off("second_label", rf"^{_LABEL}[\"']? ?[:=] ?", by=""),
    _off("name_column", r"^(?:name|processor) (?=intel|amd|nvidia)", by=""),
    _off("quotes_inside_label", r"^[\s\"']+|[\s\"']+$", by=""),
    _off("display_server", r"^(?:\(--\) )?[a-z]+\(\d\): (?:nvidia gpu |chipset: \"?)",
         r" at pci:[\d:@]+ \(gpu-\d\)$", r"\"? \(chipid = 0x[0-9a-f]+\)$", by=""),
    _off("bus_fields", r'^"?(?:vga compatible|3d|display) controller(?: \[\d{4}\])?" '
         r'"([^"]*+)" "([^"]*+)".*$', by=r"\1 \2"),
    _off("vendor_of_server", r"^(?:mesa/)?(?:x\.org|mesa)(?: foundation)?, "
         r"(?=amd|ati|intel|nvidia|radeon|mesa)", by=""),
    _off("vendor_behind", r",? \(?(?:genuineintel|authenticamd|hygongenuine)\)?$", by=""),
    _off("list_number", r"^(?:gpu|cpu) ?#?\d: ?|^\[\d\] ?", by=""),
    _off("tool_fields", r" (?:vendor|driver|bits|arch|type|socket|speed|subsystem|rev): .*$",
         r" \[(?:integrated|discrete)\]", by=""),
    _off("uuid", r" ?\(uuid: [^()]*+\)"),
    _off("renderer_tail",
         r" direct3d ?\d\w*(?: [vp]s-\d-\d)*(?:,? d3d\d[\d.-]*)?$", r" vs-\d-\d ps-\d-\d$",
         r",? opengl(?: es)? ?\d[\d.]*(?:[ (-]+(?:nvidia|mesa|build|core|profile|[\d.]+)\)?)*+$",
         r"/(?:pcie?|agp|integrated|sse\d?)(?:/(?:sse\d?|3dnow!?))*+(?=$|,)",
         r",? or similar$", r" (?:opengl|compute|metal) engine$"),
    _off("driver_wrapper",
         r"^(?:zink|d3d12|vulkan)(?: vulkan)?(?: \d[\d.]*)? ?\((.*)\)$", by=r"\1"),
    _off("nested_wrapper", r"^(?:vulkan)(?: \d[\d.]*)? ?\((.*)\)$", by=r"\1"),
    _off("driver_prefix", r"^(?:angle )?metal renderer: ", r"^gallium [\d.]+ on ",
         r"\bmesa(?: dri)? ", r"^dri ", by=""),
    _off("pci_id", r"\[?\b(?:10de|1002|8086|1022):[0-9a-f]{4}\b\]?(?: ?\(prog-if[^()]*+\))?"),
    _off("revision", r"\(rev [0-9a-f]{1,2}\)(?: \(prog-if.*\))?", r"\(0x[0-9a-f]{4,8}\)"),
    _off("code_of_a_design", r"\((?:g[abmpkfv]|tu|ad)\d{3}[a-z]*(?:-[a-z0-9]{1,4})?\)"),
    _off("driver_note",
         r"\((?![^()]*\b(?:geforce|radeon|[gr]tx|quadro|core|ryzen|xeon|apple|graphics)\b)(?:[^()]|\([^()]*\))*\b(?:llvm|drm|radeonsi|radv|amdgpu|aco|nvk|nouveau|zink|anv|"
         r"open source|proprietary|[a-z]+-proprietary|navi ?\d\d|gfx\d+|gt ?\d(?:\.\d)?\w?|"
         r"vulkan|opengl|mesa|dg[12]|bmg(?: g\d+)?|lnl|mtl|arl|ptl|rpl-?\w?|adl-?\w?|tgl|icl|"
         r"rkl|bsw|byt|chv|bxt|apl|glk|jsl|ehl|snb|ivb|hsw|bdw|skl|kbl|cfl|cml|"
         r"polaris ?\d*|vega ?\d+|"
         r"renoir|raven\d?|vermeer|matisse|cezanne|barcelo|lucienne|rembrandt|raphael|picasso|"
         r"phoenix|hawk point|strix point|pinnacle ridge|summit ridge|"
         r"vangogh|skylake|haswell|broadwell|(?:sandy|ivy) ?bridge|zen ?\d|"
         r"[a-z]+ lake(?:-\w+)?)\b(?:[^()]|\([^()]*\))*\)"),
    # The size can identify a GeForce or a Radeon RX, so it stays as a token.
    _off("memory_of_a_card",
         rf"((?<![^()])(?>[^()]*?{_CARD})[^()]*+)\((\d{{1,2}}) ?gi?b\b[^()]*+\)", by=r"\1 \2gb "),
    _off("memory_note", r"\(\d+ ?(?:gi?b|mi?b)(?: ([a-z]*ddr\dx?))?\)", by=r" \1"),
    _off("note_behind_at",
         rf" ?@(?:[ ,/;()~+\[\]-]|(?:{_NOTE})(?![a-z0-9.]))*+$"),
    _off("capable", r" \(\d[\d.]*ghz capable\)"),
    _off("count_note",
         r",? \d{1,3} core\(s\)", r",? \d{1,3} logical processor\(s\)",
         r"\(?\b\d+ (?:cpus|threads?|logical processors?|processors)\b\)?", r"\(\d{1,3}\)",
         r"\(?\b\d+ ?c ?/ ?\d+ ?t\b\)?", r"\b\d+ compute cores \d+ ?c ?\+ ?\d+ ?g\b",
         r"\(?(?<!\bti )\b\d+[ -]cores?(?:,? ?/? ?\d+[ -]threads?)?\b\)?"),
    _off("clock",
         r"(?<![(,~])[(,~]*+ ?@? ?~? ?\b\d++(?:[.,]\d++)? ?\+? ?[gm]hz\b(?! edition)\)?"
         r"(?: \[[^\[\]]*+\])?",
         r" ?@ ?[\d.]*$"),
    _off("core_words",
         r"\b(?:single|dual|triple|quad|six|eight|ten|twelve|sixteen|hexa|octa)[ -]core\b"),
    _off("count_at_end", r" x ?\d{1,3}$(?<! x\d)"),
    _off("memory_unit", r"\b(\d{1,3}) ?gi?b\b", by=r"\1gb"),
    _off("memory_letter", rf"((?<![^/])(?>[^/]*?{_CARD})[^/]*) (\d{{1,2}})g\b", by=r"\1 \2gb"),
    # Of small cards the type of memory separates two chips.
    _off("memory_type",
         r"^((?!.*\b(?:gts?|mx) ?\d{3,4}\b).*\b\d{1,3}gb) g?ddr\dx?\b", by=r"\1"),
    _off("memory_list", r"\b\d{1,3}gb ?/ ?\d{1,3}gb\b"),
    _off("power", r"\b\d{2,3} ?w\b(?!/)"),
    _off("generation_prefix",
         r"^(\S+ )?\d{1,2}(?:st|nd|rd|th)(?: gen(?:eration)?)?\b\.?(?= \w* ?(?:core|i\d|intel))",
         by=r"\1"),
    _off("generation_inside",
         r"(?<=\bi[3579]) \(?\d{1,2}(?:st|nd|rd|th)[ -]gen(?:eration)?\)?(?= \d)", by=""),
    _off("series_inside", r"\b(ryzen [3579]) \d000 series(?= \d)", by=r"\1"),
    _off("class_twice", r"\bryzen r(?=[3579]\b)", by="ryzen "),
    # Graphics inside a processor, and no card beside it.
    _off("with_graphics",
         r"^((?!.*\b(?:geforce|[rg]tx|quadro|rx ?\d{3,4})\b).*)"
         rf" (?:with|w/) ?(?:(?:{_INSIDE})(?:[ ,]+|$))++$",
         by=r"\1"),
    _off("core_count_after_slash", r"\b(k[xh]-\d+[a-z]*)/(?=\d{1,2}\b)", by=r"\1-"),
    _off("hash_rate", r"\b(?:lite hash rate|lhr)\b"),
    _off("design", r" with max-?q(?: design)?", by=" max-q"),
    _off("vendor_nvidia", r"\bnvidia corp(?:oration|\.)?(?: /)?", by="nvidia"),
    _off("vendor_amd", r"\badvanced micro devices,?(?: inc\.?)?,?", r"\[?amd/ati\]?", r"\bati tech"
         r"nologies(?: inc\.?)?,?", r"\bati\b", r"\bauthenticamd\b", r"^\[amd\]", by=" amd "),
    _off("vendor_intel", r"\bintel (?:open source technology center|inc\b\.?|corp(?:oration|\.)?)",
         r"\bgenuineintel\b", by="intel"),
    _off("vendor_other", r"\b(apple|qualcomm)(?: technologies,?)? inc\.?", by=r"\1"),
    _off("board_maker",
         r"^(?:asus(?:tek)?|msi|gigabyte|evga|zotac|palit|gainward|pny|sapphire|powercolor|xfx|"
         r"asrock|inno3d|galax|kfa2|colorful|dell|hp|lenovo|acer|razer|leadtek|his|yeston|maxsun|biostar|"
         r"manli|micro-star|clevo)(?: (?:tech|computer|inc|rog|tuf|dual|strix|phoenix|gaming|aorus|"
         r"ventus|eagle|pulse|nitro\+?|proart|red devil|hellhound|fighter|speedster|"
         r"(?:merc|qick|swft) \d{3}|suprim|amp)){0,6},? (?=.*\d)"),
    _off("board_edition",
         r"(?: (?:oc|gaming|founders|windforce|strix|ventus|eagle|dual|pulse|nitro\+?|tuf|rog|fe|"
         r"trio|ftw3|xc3|amp|verto|phantom|vapor-x|twin|mech|suprim|armor|aero|gamerock|jetstream)){1,6}"
         r"(?: (?:edition|\d?x\d?|v\d|pro|oc|trio|ultra|extreme|airo|gaming|d|z|white)){0,6}"
         r"(?P<size> \d{1,2}gb)?$", by=r"\g<size>"),
    _off("revision_word", r" rev\. ?[a-z1]\b|\bopn:"),
    _off("revision_number", r" rev\. ?(?=[2-9]\b)", by=" rev "),
    _off("edition_of_a_system", r"(\dmx?) mac edition(?=\]?$)", by=r"\1"),
)  # fmt: skip

_TOKENS: Final[tuple[Substitution, ...]] = (
    _off("plus", r"(?:\+ ?)++", by=" plus "),
    _off("and", r"&", by=" and "),
    _off("separators", r"[-\s,()\[\]]+"),
    _off("glued_class", r"\b(core|ryzen|ultra|radeon|geforce|xeon|pentium|celeron|athlon|atom|"
         r"phenom|quadro|arc|threadripper|epyc) ?(?=[0-9im]\d|\d)", by=r"\1 "),
    _off("glued_core_2", r"\bcore ?2 ?(?=duo|quad|extreme|solo)", by="core 2 "),
    _off("max_q", r"\bmaxq\b", by="max q"),
    _off("laptop", r"\b(?:laptop|notebook|mobile|mobility(?! radeon))(?: (?:gpu|graphics|gfx))?\b",
         by="laptop"),
    _off("doubled_laptop", r"\blaptop laptop\b", by="laptop"),
    _off("embedded", r"\bembedded gpu\b", by="embedded"),
    _off("pentium_d", r"\bpentium d (?=15\d\d\b)", by="pentium d"),
    # People write S for SUPER: RTX 2070S.
    _off("super_letter", r"\b((?:[rg]tx ?)?(?:16[56]0|(?:20|40|50)[6-8]0) ?(?:ti ?)?)s\b",
         by=r"\1 super"),
    _off("noise",
         r"\b(?:cpu|processors?|apu|soc|gfx|graphics card|video card|refresh|"
         r"creator edition|boxed|tray)\b(?<!custom apu)"),
    _off("gpu_word", r"\bgpu\b(?<!custom gpu)(?<!center gpu)"),
)  # fmt: skip


def strip(folded: str) -> str:
    """The folded text without what systems print around a name, punctuation still in place."""
    return _apply(SUBSTITUTIONS, folded)


def tokens(stripped: str) -> str:
    """The tokens of a name, the maker first if it is there, one space between them."""
    return _apply(_TOKENS, stripped)


def _apply(rows: tuple[Substitution, ...], text: str) -> str:
    for row in rows:
        text = row.pattern.sub(row.by, text)
    return " ".join(text.split())
