"""Names of AMD processors and Radeon graphics."""

from typing import Final

from kbapi.chips.grammar.rule import Groups, Rule, first_digit, no_generation, rule, thousands

RYZEN_SUFFIX: Final = "x3d2|x3d|xt|x|hx3d|hx|hs|h|u|c|ge|gt|g|f|af|e|t"
# From the seventh thousand on the last two digits of a laptop's number show the design: 7520U,
# 7530U, 7535U, 7540U. A few numbers belong to a design whose others end differently.
_LAPTOP_SUFFIXES: Final = ("u", "h", "hs", "hx", "hx3d", "c", "e")
_SAME_DESIGN: Final = {"733": "35", "736": "35", "950": "55"}

# Before that, what was sold beside a newer or older design under the same thousand and suffix:
# thousand, suffixes, the numbers, and what the design is called.
_MIXED_GENERATIONS: Final[tuple[tuple[str, tuple[str, ...], tuple[str, ...], str], ...]] = (
    ("3", ("u", "c"), ("3200", "3250"), "dali"),
    ("5", ("u",), ("5300", "5500", "5700"), "lucienne"),
    ("5", ("",), ("5100", "5500", "5700"), "cezanne"),
)
_AI_MIXED: Final = ("360", "365")

_APU_TAIL: Final = r"(?: (?:radeon )?r\d[ed]?)?(?: graphics)?"

# The class by the second digit of a Ryzen number, where the name leaves it out.
_CLASS_BY_DIGIT: Final = {"1": "3", "2": "3", "3": "3", "4": "5", "5": "5", "6": "5", "7": "7",
                          "8": "7", "9": "9"}  # fmt: skip
_ODD_CLASS: Final = {"3350g": "5", "3350ge": "5", "7235hs": "5", "7435hs": "7", "7435h": "7"}


def ryzen_class(number: str, suffix: str) -> str:
    """The class digit that a Ryzen number belongs to: 3950 → 9, 5600 → 5."""
    if odd := _ODD_CLASS.get(number + suffix):
        return odd
    if number[0] in "789" and number[1] == "8" and suffix == "hx":
        return "9"
    # From the fifth thousand on a mobile 4 in the second place is the lowest class.
    if number[0] >= "5" and number[1] == "4" and suffix == "u":
        return "3"
    return _CLASS_BY_DIGIT[number[1]]


def _ryzen_generation(groups: Groups) -> str:
    """A Ryzen's design by its number: 5900 → 5, 7840U → 7040, 5700U → 5 zen2, 260 → 200."""
    number, suffix = groups["number"], groups["suffix"]
    if len(number) < 4:
        return thousands(groups)
    if number[0] in "789" and suffix in _LAPTOP_SUFFIXES:
        tail = _SAME_DESIGN.get(number[0] + number[2:], number[2:])
        if tail in ("40", "45"):
            # The design behind HX is another one, whichever digit ends the number.
            tail = "45" if suffix.startswith("hx") else "40"
        return f"{number[0]}0{tail}"
    for first, suffixes, numbers, design in _MIXED_GENERATIONS:
        if number[0] == first and suffix in suffixes and number in numbers:
            return f"{first} {design}"
    return number[0]


def _ai_generation(groups: Groups) -> str:
    return "3 strix point" if groups["number"] in _AI_MIXED else groups["number"][0]


def _epyc_generation(groups: Groups) -> str:
    """The first digit is the socket's, the last the generation's: 7763 → 73, 9654 → 94."""
    return groups["number"][0] + groups["number"][-1]


RULES: Final[tuple[Rule, ...]] = (
    rule("ryzen", "amd", "cpu",
         rf"(?:ryzen |r)(?P<tier>[3579]) (?P<pro>pro )?(?P<number>[1-9]\d{{3}}) ?"
         rf"(?P<suffix>{RYZEN_SUFFIX})?(?: radeon(?: \d{{3}}m)?(?: graphics)?)?",
         "ryzen {tier} {pro} {number}{suffix}", "ryzen", "{gen} {suffix}", _ryzen_generation),
    rule("ryzen_pro_first", "amd", "cpu",
         rf"(?:pro ryzen|ryzen pro) (?P<tier>[3579]) (?P<number>[1-9]\d{{3}}) ?"
         rf"(?P<suffix>{RYZEN_SUFFIX})?",
         "ryzen {tier} pro {number}{suffix}", "ryzen", "{gen} {suffix}", _ryzen_generation),
    rule("ryzen_short", "amd", "cpu",
         r"ryzen (?P<tier>[3579]) (?P<letter>h )?(?P<pro>pro )?(?P<number>[12]\d{2}|[1-9]0)"
         r"(?P<suffix>[hu]?)",
         "ryzen {tier} {letter} {pro} {number}{suffix}", "ryzen", "{gen} {letter}{suffix}",
         _ryzen_generation),
    # From the third thousand on a WX is always a PRO, whether the name has PRO or not.
    rule("threadripper_pro", "amd", "cpu",
         r"(?:ryzen )?(?:threadripper|tr) (?:pro )?(?P<number>[3-9]\d{3}) ?(?P<suffix>wx)s?",
         "ryzen threadripper pro {number}{suffix}", "ryzen threadripper", "{gen} {suffix}",
         first_digit),
    rule("threadripper", "amd", "cpu",
         r"(?:ryzen )?(?:threadripper|tr) (?P<pro>pro )?(?P<number>[1-9]\d{3}) ?"
         r"(?P<suffix>wx|x)?s?",
         "ryzen threadripper {pro} {number}{suffix}", "ryzen threadripper", "{gen} {suffix}",
         first_digit),
    rule("ryzen_ai_max", "amd", "cpu",
         r"(?:ryzen )?ai max (?P<plus>plus )?(?P<pro>pro )?(?P<number>\d{3})",
         "ryzen ai max {plus} {pro} {number}", "ryzen ai max", "{gen}", first_digit),
    rule("ryzen_ai", "amd", "cpu",
         r"(?:ryzen )?ai (?P<tier>[3579]) (?P<letter>(?:hx|h) )?(?P<pro>pro )?(?P<number>\d{3})"
         r"(?P<suffix>ge?)?",
         "ryzen ai {tier} {letter} {pro} {number}{suffix}", "ryzen ai", "{gen} {letter} {suffix}",
         _ai_generation),
    rule("ryzen_z", "amd", "cpu",
         r"(?:ryzen )?(?P<ai>ai )?z(?P<number>\d)(?: (?P<tier>extreme|go|a))?",
         "ryzen {ai} z{number} {tier}", "ryzen z", "{gen} {tier}", first_digit),
    rule("ryzen_embedded", "amd", "cpu",
         r"ryzen embedded (?P<number>[vrp]\d[\dac]\d{2}|\d{4})(?P<suffix>x3d|hs|[bgiexuh])?",
         "ryzen embedded {number}{suffix}", "ryzen embedded", "{gen} {suffix}",
         lambda groups: groups["number"][:2]),
    rule("athlon_ii", "amd", "cpu",
         r"athlon ii (?P<cores>x[234] )?(?:neo )?(?P<letters>[bpmnk]?)(?P<number>(?<=b)\d{2}|\d{3})"
         r"(?P<suffix>[euk]?)",
         "athlon ii {cores} {letters}{number}{suffix}", "athlon ii",
         "{cores} {letters} {gen} {suffix}", first_digit),
    rule("athlon_x", "amd", "cpu",
         r"athlon (?P<cores>(?:x[24]|neo(?: x2)?) )(?:(?P<pair>ql|mv|tf) |(?P<letter>l))?"
         r"(?P<number>(?<=(?:ql|mv|tf) )\d{2}|\d{3,4})(?P<suffix>[ekb]?)",
         "athlon {cores} {pair} {letter}{number}{suffix}", "athlon {cores}",
         "{pair} {letter} {gen} {suffix}", first_digit),
    rule("athlon", "amd", "cpu",
         r"athlon (?P<tier>(?:gold|silver) )?(?P<pro>pro )?(?P<number>\d{4}|[23]\d0(?= ?[gu])) ?"
         rf"(?P<suffix>ge|g|u|e|c|b|x)?{_APU_TAIL}",
         "athlon {tier} {pro} {number}{suffix}", "athlon", "{gen} {suffix}", thousands),
    rule("phenom", "amd", "cpu",
         r"phenom (?P<ii>ii )?(?P<cores>x[2346] )?(?P<letters>[nbpx]?)"
         r"(?P<number>(?<=b)\d{2}|42(?= twkr|$)|(?(ii)\d{3,4}|\d{4}))"
         r"(?P<suffix>[etb]?)(?: twkr)?(?: black)?(?: be)?(?: edition)?",
         "phenom {ii} {cores} {letters}{number}{suffix}", "phenom {ii}",
         "{cores} {letters} {gen} {suffix}", first_digit),
    rule("fx", "amd", "cpu", rf"fx ?(?P<number>\d{{4}}|[678]70(?=k))(?P<suffix>[epkb]?){_APU_TAIL}",
         "fx {number}{suffix}", "fx", "{gen} {suffix}", thousands),
    # PRO comes before or after the class, depending on the year; it is one name.
    rule("a_series", "amd", "cpu",
         r"(?P<pro1>pro )?a(?P<tier>4|6|8|9|10|12) (?P<pro2>pro )?(?P<micro>micro )?"
         rf"(?P<number>\d{{4}})(?P<suffix>mx|[kmpbtec])?{_APU_TAIL}",
         "a{tier} {pro1} {pro2} {micro} {number}{suffix}", "a series", "{gen} {micro} {suffix}",
         thousands),
    rule("e_series", "amd", "cpu",
         r"e(?P<tier>[12])? (?P<micro>micro )?"
         rf"(?P<number>(?(tier)\d{{4}}|\d{{3}}))(?P<suffix>[dmet]?){_APU_TAIL}",
         "e{tier} {micro} {number}{suffix}", "e series", "{gen} {micro} {suffix}", thousands,
         needs_maker=True),
    rule("c_series", "amd", "cpu", r"(?P<line>[cz]) (?P<code>\d{2})", "{line} {code}",
         "{line} series", "", no_generation, needs_maker=True),
    rule("g_series", "amd", "cpu", r"g (?P<number>t\d{2})(?P<suffix>[elnr])",
         "g {number}{suffix}", "g series", "{gen} {suffix}", first_digit, needs_maker=True),
    rule("embedded_x", "amd", "cpu",
         r"(?P<line>gx|rx) (?P<number>\d{3})"
         r"(?P<suffix>[cghjr]a|[bfn]b|[cghjmv]c|[bgnt]d|[ij]j|gi|gl|gm)(?: radeon)?(?: r\de?)?"
         r"(?: graphics)?",
         "{line} {number}{suffix}", "{line}", "{gen} {suffix}", first_digit),
    rule("desktop_kit", "amd", "cpu", r"(?P<number>4[78]00)s(?: desktop kit)?", "{number}s", "kit",
         "", needs_maker=True),
    rule("r_series", "amd", "cpu", r"r (?P<number>\d{3})(?P<suffix>[dfhl])", "r {number}{suffix}",
         "r series", "{gen} {suffix}", first_digit, needs_maker=True),
    rule("no_line", "amd", "cpu", r"(?P<number>30\d{2})(?P<suffix>c?e)", "{number}{suffix}",
         "3000", "{suffix}", needs_maker=True),
    rule("custom", "amd", "cpu", r"custom apu (?P<code>[0-9a-f]{4})", "custom apu {code}",
         "custom apu", "{code}"),
    rule("custom_graphics", "amd", "gpu", r"custom gpu (?P<code>[0-9a-f]{4})",
         "custom gpu {code}", "custom gpu", "{code}"),
    rule("epyc", "amd", "cpu",
         r"epyc (?P<embedded>embedded )?(?P<number>[34789][0-9a-z][0-9a-z]\d)"
         r"(?P<suffix>p[nx]?|[fxsh])?",
         "epyc {embedded} {number}{suffix}", "epyc", "{gen} {suffix}", _epyc_generation),
    rule("opteron", "amd", "cpu",
         r"opteron (?P<letters>[xa]?)(?P<number>\d{4})(?: ?(?P<suffix>he|se|ee|kx|hf))?"
         rf"{_APU_TAIL}",
         "opteron {letters}{number} {suffix}", "opteron", "{gen} {suffix}",
         lambda groups: groups["letters"] + groups["number"][:2]),
    rule("turion", "amd", "cpu",
         r"turion (?P<ii>ii )?(?P<cores>x2 )?(?:(?:ultra|neo) )?(?:laptop )?"
         r"(?:(?P<pair>rm|zm) |(?P<letters>[mpnkl]))(?P<number>\d{2,3})(?P<suffix>l?)",
         "turion {ii} {cores} {pair} {letters}{number}{suffix}", "turion {ii}",
         "{cores} {pair} {letters} {suffix}"),
    rule("sempron", "amd", "cpu",
         r"sempron (?P<cores>x2 )?(?P<letters>(?:le|si) |[m]|)"
         r"(?P<number>(?<=si )\d{2}|\d{3,4})(?P<suffix>[ue]?)"
         rf"{_APU_TAIL}",
         "sempron {cores} {letters}{number}{suffix}", "sempron", "{gen} {letters} {suffix}",
         thousands),
    rule("v_series", "amd", "cpu", r"v(?P<number>1\d{2})", "v{number}", "v series", "",
         needs_maker=True),
)  # fmt: skip


# Boards print their size of memory behind the name of one and the same chip.
_MEMORY: Final = r"(?: \d{1,3}gb)?"
_GRAPHICS: Final = r"(?: (?:series|graphics))?"

RADEON_RULES: Final[tuple[Rule, ...]] = (
    # Sold in two sizes that are two chips.
    rule("radeon_rx_sized", "amd", "gpu",
         r"(?:radeon )?rx ?(?P<number>6750) ?gre (?P<memory>10gb|12gb)(?: g?ddr\dx?)?",
         "radeon rx {number} gre {memory}", "radeon rx", "{gen}", thousands),
    # One letter touches the digits and is a chip of its own; tokens for the step are separate.
    rule("radeon_rx", "amd", "gpu",
         r"(?:radeon )?rx ?(?P<number>[5-9]\d{3})(?P<letter>xtb|m|s|b|d)?"
         r"(?: ?(?P<step>xtx|xt|gre|gme|le|oem))?(?: (?P<edition>50th anniversary|lc))?"
         rf"(?: edition)?{_MEMORY}(?: graphics)?",
         "radeon rx {number}{letter} {step} {edition}", "radeon rx", "{gen} {letter}",
         thousands),
    # Three digits are the older generations, where the driver prints "Series" after one product.
    rule("radeon_rx_old", "amd", "gpu",
         r"(?:radeon )?rx ?(?P<number>[456][1-9][05])(?P<letter>xtx|x|d|m|b)?"
         rf"(?: ?(?P<step>gme|2048sp|xt|xtx|duo|oem))?{_MEMORY}(?: (?P<form>laptop))?"
         rf"{_GRAPHICS}{_MEMORY}",
         "radeon rx {number}{letter} {step} {form}", "radeon rx", "{gen} {letter} {form}",
         thousands),
    rule("radeon_rx_vega_discrete", "amd", "gpu",
         r"(?:radeon )?(?:rx )?vega ?(?P<number>56|64)(?: (?P<tail>liquid cooling|liquid|nano))?"
         rf"{_MEMORY}(?: graphics)?",
         "radeon rx vega {number} {tail}", "radeon rx vega", ""),
    rule("radeon_rx_vega_package", "amd", "gpu",
         r"(?:radeon )?(?P<brand>rx|pro wx) vega m (?P<tier>gh|gl|xt|xl)(?: graphics)?",
         "radeon {brand} vega m {tier}", "radeon {brand} vega m", ""),
    # Windows prints RX before integrated Vega graphics too; the number distinguishes them.
    rule("radeon_vega", "amd", "gpu",
         r"(?:radeon )?(?:rx )?vega ?(?P<number>[2-9]|1[01])(?: laptop)?(?: graphics)?(?: laptop)?"
         r"(?P<ws> ws)?",
         "radeon vega {number} {ws}", "radeon vega", ""),
    rule("radeon_vega_frontier", "amd", "gpu", r"radeon vega frontier edition",
         "radeon vega frontier edition", "radeon vega", "frontier"),
    rule("radeon_vii", "amd", "gpu", r"radeon (?P<pro>pro )?vii", "radeon {pro} vii",
         "radeon {pro} vii", ""),
    rule("radeon_pro_w", "amd", "gpu",
         r"(?:radeon )?pro (?P<line>w(?= ?\d{4})|v) ?(?P<number>\d{3,4})(?P<letter>x2|m|x|l|)"
         rf"(?: (?P<tail>dual slot|duo))?{_MEMORY}{_GRAPHICS}",
         "radeon pro {line}{number}{letter} {tail}", "radeon pro {line}", "{gen} {letter}",
         thousands),
    rule("radeon_pro_wx", "amd", "gpu",
         rf"(?:radeon )?pro wx ?(?P<number>\d{{4}})(?: (?P<form>laptop))?{_GRAPHICS}",
         "radeon pro wx {number} {form}", "radeon pro wx", "{gen}", thousands),
    rule("radeon_pro", "amd", "gpu",
         r"radeon pro (?P<vega>vega )?(?P<number>\d{2,4})(?P<letter>[mxd]?)"
         rf"(?: ?(?P<step>xt|duo|ii duo|ii))?{_GRAPHICS}",
         "radeon pro {vega} {number}{letter} {step}", "radeon pro", "{vega} {gen} {letter}",
         thousands),
    rule("radeon_pro_named", "amd", "gpu", r"radeon pro (?P<model>duo|ssg)", "radeon pro {model}",
         "radeon pro", "{model}"),
    rule("radeon_ai_pro", "amd", "gpu",
         r"radeon ai pro r(?P<number>\d{4})(?P<letter>[sd]?)",
         "radeon ai pro r{number}{letter}", "radeon ai pro", "{gen}", thousands),
    rule("radeon_r", "amd", "gpu",
         r"radeon r(?P<tier>[5789]) (?P<m>m)?(?P<number>[2-4]\d{2})(?P<letter>x2|x|dx|d|e)?"
         rf"{_MEMORY}(?: (?P<oem>oem))?(?: graphics)?",
         "radeon r{tier} {m}{number}{letter} {oem}", "radeon r{tier}", "{gen} {m}",
         thousands),
    rule("radeon_r_named", "amd", "gpu", r"(?:radeon )?r9 (?P<model>fury x|fury|nano)",
         "radeon r9 {model}", "radeon r9", "fury"),
    rule("radeon_hd_mobility", "amd", "gpu",
         r"(?:mobility radeon|radeon mobility) hd ?(?P<number>\d{4})(?P<letter>[mdv]?)"
         r"(?: (?P<step>x2|xt))?(?: graphics)?",
         "mobility radeon hd {number}{letter} {step}", "mobility radeon hd", "{gen}", thousands),
    rule("radeon_hd", "amd", "gpu",
         r"radeon hd ?(?P<number>\d{4})(?P<letter>[mdgae]?)"
         rf"(?: (?P<step>x2|xt|pro|oem|ghz edition))?{_MEMORY}(?: graphics)?",
         "radeon hd {number}{letter} {step}", "radeon hd", "{gen} {letter}", thousands),
    # Low discrete parts and newer integrated graphics have a number alone.
    rule("radeon_number", "amd", "gpu",
         r"radeon (?P<number>(?:5[2-5]|6[1-3])[05])(?P<letter>x)?(?: graphics)?",
         "radeon {number}{letter}", "radeon", "{gen} {letter}", thousands),
    rule("radeon_integrated", "amd", "gpu",
         r"radeon (?P<number>\d{3}(?=m)|80\d{2}(?=s))(?P<letter>[ms])(?: graphics)?",
         "radeon {number}{letter}", "radeon", "{gen} {letter}", thousands),
    rule("radeon_embedded", "amd", "gpu",
         r"(?:embedded )?radeon e(?P<number>\d{4})(?: embedded)?(?: graphics)?", "radeon e{number}",
         "radeon embedded", "{gen}", thousands),
    rule("firepro", "amd", "gpu",
         r"(?:radeon )?firepro (?P<letter>[wvsmdra]?) ?(?P<number>\d{3,5})(?P<tail>[mxpv]?)"
         r"(?P<two> x2)?(?: firegl v?)?(?: graphics)?(?: adapter)?",
         "firepro {letter}{number}{tail} {two}", "firepro {letter}", "{gen}", thousands),
    rule("instinct", "amd", "gpu",
         r"(?P<brand>radeon )?instinct mi(?P<number>\d{1,3})(?P<letter>x2|[xa]?)"
         r"(?: (?P<tail>oam|hf))?",
         "{brand} instinct mi{number}{letter} {tail}", "instinct", "{gen}", no_generation),
)  # fmt: skip
