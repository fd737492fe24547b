"""Names of NVIDIA graphics and of makers with few series."""

from typing import Final

from kbapi.chips.grammar.rule import Groups, Rule, all_but_two, first_digit, no_generation, rule

_MEMORY: Final = r"(?: (?P<memory>\d{1,3}gb|gddr\dx?))?"
_FORM: Final = r"(?: (?P<form>laptop|max q|embedded))?(?: (?P<memory2>\d{1,3}gb))?"
_STEPS: Final = r"(?: ?(?P<ti>ti))?(?: ?(?P<super>super))?"
_VARIANTS: Final = "d v2|d|a|oem"
_OLD_VARIANTS: Final = f"{_VARIANTS}|le|se|boost"
_TAIL: Final = "{ti} {super} {variant} {type} {form}"
# Boards print their size of memory behind the name of one and the same chip.
_ANY_SIZE: Final = r"(?: \d{1,3}gb)?"
_TYPE: Final = r"(?: (?P<type>g?ddr\dx?))?"

# The few GeForce chips of which another size of memory is another chip: brand, number, step,
# the sizes that do not go without saying, and the form they were sold in.
_SIZES: Final = (
    ("gtx", "1050", "", "3gb", ""), ("gtx", "1060", "", "3gb|5gb|6gb", ""),
    ("rtx", "2060", "", "12gb", ""), ("rtx", "3050", "", "4gb|6gb", ""),
    ("rtx", "3050", "", "4gb|6gb", "laptop"), ("rtx", "3060", "", "8gb", ""),
    ("rtx", "3080", "", "12gb", ""), ("rtx", "4060", "ti", "16gb", ""),
    ("rtx", "5060", "ti", "16gb", ""),
)  # fmt: skip


# The sizes that go without saying, by number, step and form. A size that is not listed was never
# sold, or belongs to another chip. Numbers that are not listed were sold with many sizes.
_USUAL_SIZES: Final = {
    "780 ti": "3", "1080 ti": "11", "2050": "4", "2060": "6", "2060 super": "8", "2070": "8",
    "2070 super": "8",
    "2080": "8", "2080 super": "8", "2080 ti": "11", "3050": "8", "3050 ti laptop": "4",
    "3060": "12", "3060 laptop": "6", "3060 ti": "8", "3070": "8", "3070 laptop": "8",
    "3070 ti": "8", "3070 ti laptop": "8", "3080": "10", "3080 laptop": "8 16", "3080 ti": "12",
    "3080 ti laptop": "16", "3090": "24", "3090 ti": "24", "4050": "6", "4050 laptop": "6",
    "4060": "8", "4060 laptop": "8", "4060 ti": "8", "4070": "12", "4070 laptop": "8",
    "4070 super": "12", "4070 ti": "12", "4070 ti super": "16", "4080": "16", "4080 laptop": "12",
    "4080 super": "16", "4090": "24", "4090 laptop": "16", "5050": "8", "5050 laptop": "8",
    "5060": "8", "5060 laptop": "8", "5060 ti": "8", "5070": "12", "5070 laptop": "8",
    "5070 ti": "16", "5070 ti laptop": "12", "5080": "16", "5080 laptop": "16", "5090": "32",
    "5090 laptop": "24",
}  # fmt: skip


def _has_usual_size(groups: Groups) -> bool:
    form = "laptop" if groups["form"] else ""
    name = " ".join(filter(None, (groups["number"], groups["ti"], groups["super"], form)))
    size = groups["size"] or groups["size_behind"]
    return not size or size in _USUAL_SIZES.get(name, size).split()


def _centre_generation(groups: Groups) -> str:
    return groups["letters"]


def _geforce(name: str, brand: str, number: str, variants: str) -> Rule:
    """A row for the numbered GeForce brands, whose brand people leave out."""
    return rule(
        name, "nvidia", "gpu",
        rf"(?:geforce )?(?P<brand>{brand}) ?(?P<number>{number})"
        # From four digits on laptop parts have no letter.
        rf"(?P<letter>(?<!\d{{4}})(?:m|mx))?{_STEPS}(?: ?(?P<variant>{variants}))?"
        r"(?P<cores> 448)?(?(cores)(?: cores)?)"
        rf"(?: (?P<size>\d{{1,3}})gb)?{_TYPE}"
        r"(?(letter)(?: laptop)?|(?: (?P<form>laptop|max q|embedded))?)"
        r"(?: (?P<size_behind>\d{1,3})gb)?(?P<revision> rev [2-9])?",
        f"geforce {{brand}} {{number}}{{letter}} {_TAIL} {{cores}} {{revision}}",
        "geforce {brand}", "{gen} {letter} {form}", all_but_two, fits=_has_usual_size,
    )  # fmt: skip


def _sized(brand: str, number: str, step: str, sizes: str, form: str) -> Rule:
    """A row for a GeForce with the size of memory before or behind its form."""
    memory_tokens = rf"(?P<memory>{sizes}) {form}|{form} (?P<size>{sizes})" if form else ""
    return rule(
        f"geforce_{number}_sized", "nvidia", "gpu",
        rf"(?:geforce )?{brand} ?(?P<number>{number}) ?{step} ?"
        rf"(?:{memory_tokens or f'(?P<memory>{sizes})'})(?: g?ddr\dx?)?",
        f"geforce {brand} {{number}} {step} {{memory}} {'{size}' if form else ''} {form}",
        f"geforce {brand}", f"{{gen}} {form}", all_but_two,
    )  # fmt: skip


RULES: Final[tuple[Rule, ...]] = (
    *(_sized(*row) for row in _SIZES),
    # From the third RTX generation on a Max-Q design has no name of its own.
    rule("geforce_rtx_max_q", "nvidia", "gpu",
         rf"(?:geforce )?rtx ?(?P<number>[3-9]0[3-9]0){_STEPS}{_ANY_SIZE} (?:laptop )?max q",
         "geforce rtx {number} {ti} {super} laptop", "geforce rtx",
         "{gen} laptop", all_but_two),
    _geforce("geforce_rtx", "rtx", r"[2-9]0[3-9]0", _VARIANTS),
    _geforce("geforce_gtx", "gtx", r"[2-9]\d[05]|1[06][3-8]0", _OLD_VARIANTS),
    _geforce("geforce_gt", "gts|gt", r"[1-9]\d[05]|10[1-3]0", _OLD_VARIANTS),
    rule("geforce_mx", "nvidia", "gpu",
         rf"(?:geforce )?mx ?(?P<number>[1-9]\d0)(?: (?P<variant>a))?{_ANY_SIZE}{_TYPE}"
         r"(?: (?P<form>max q))?(?: laptop)?",
         "geforce mx{number} {variant} {type} {form}", "geforce mx", "{gen} {form}",
         all_but_two),
    rule("geforce_number", "nvidia", "gpu",
         r"geforce (?:(?P<letters>g) ?)?(?P<number>\d{3}|[6-9]\d{3})(?P<letter>mx|m|a)?"
         r"(?: (?P<variant>(?:gts|gso) 512|gtx|gts|gt|gso|gs|ge|gx2|g|ultra|se|le)"
         r"(?P<plus> plus)?)?(?P<revision> rev [2-9])?",
         "geforce {letters}{number}{letter} {variant} {plus} {revision}", "geforce",
         "{gen} {letter}", all_but_two),
    rule("geforce_titan", "nvidia", "gpu", r"(?:geforce )?gtx titan(?: (?P<variant>x|z|black))?",
         "geforce gtx titan {variant}", "geforce gtx", "titan"),
    rule("titan", "nvidia", "gpu",
         r"titan (?P<variant>rtx|v|xp|x)(?: (?P<tail>pascal|ceo edition|collectors edition))?",
         "titan {variant} {tail}", "titan", "{variant}"),
    rule("rtx_pro", "nvidia", "gpu",
         rf"rtx pro (?P<number>\d{{3,4}}){_MEMORY}(?P<d> d)? blackwell"
         r"(?: (?P<generation>generation))?"
         r"(?: (?P<edition>(?:(?:max q )?workstation|server|sff) edition))?"
         r"(?: (?P<form>laptop|embedded))?",
         "rtx pro {number} {memory} {d} blackwell {generation} {edition} {form}",
         "rtx pro", "blackwell {form}"),
    rule("rtx_ada", "nvidia", "gpu",
         r"(?:quadro )?rtx (?P<number>\d{3,4})(?P<d>d)?(?: (?P<sff>sff))? ada(?: generation)?"
         rf"(?: (?P<form>laptop|embedded))?{_MEMORY}",
         "rtx {number}{d} {sff} ada generation {memory} {form}", "rtx", "ada {form}"),
    rule("rtx_a", "nvidia", "gpu",
         rf"(?:quadro )?rtx a(?P<number>\d{{3,4}})(?P<letter>h)?{_MEMORY}{_FORM}",
         "rtx a{number}{letter} {memory} {memory2} {form}", "rtx", "ampere {form}"),
    rule("rtx_a_short", "nvidia", "gpu",
         rf"a(?P<number>[1-9][05]00|500){_MEMORY} (?P<form>laptop|embedded)",
         "rtx a{number} {memory} {form}", "rtx", "ampere {form}"),
    rule("quadro_rtx", "nvidia", "gpu", rf"quadro rtx (?P<number>[3-9]000){_FORM}",
         "quadro rtx {number} {form} {memory2}", "quadro rtx", "{form}"),
    rule("quadro", "nvidia", "gpu",
         r"quadro (?![pt][1-3]\d\d\b)(?P<letters>[pmkt]|gv|gp|fx |nvs |plex )?"
         r"(?P<number>\d{3,5})(?P<suffix>m|d)?"
         r"(?: (?P<variant>sdi|mac|x2|lp))?" + _MEMORY + r"(?: (?P<form>laptop|max q))?",
         "quadro {letters}{number}{suffix} {variant} {memory} {form}", "quadro",
         "{letters} {suffix} {form}"),
    rule("nvs", "nvidia", "gpu", r"nvs (?P<number>\d{3,4})(?P<suffix>m)?", "nvs {number}{suffix}",
         "nvs", "{suffix}"),
    rule("t_workstation", "nvidia", "gpu",
         rf"t(?P<number>[1-9]\d{{2,3}}){_MEMORY}(?: (?P<form>laptop|max q|embedded))?",
         "t{number} {memory} {form}", "t", "{form}", needs_maker=True),
    rule("tesla", "nvidia", "gpu",
         r"tesla (?P<letters>[cdkmpstvx])(?P<number>\d{1,4})(?P<suffix>xm|st|[cdgmstx]|)(?P<q> q)?"
         r"(?P<tail>(?: (?:sxm\d?|pcie?|pcie|dgxs|fhhl|lite|\d{1,3}gb))*)",
         "tesla {letters}{number}{suffix} {q} {tail}", "tesla", "{letters}"),
    rule("data_centre", "nvidia", "gpu",
         r"(?P<letters>gh|gb|ax|[ahlb])(?P<number>(?<=a)2|(?<=l)[24]|16|(?<!gb)[1-9]0|10|[1-9]00|6000)(?P<suffix>[agmsx]?)"
         r"(?P<tail>(?: (?:sxm\d?|pcie|pg\d{3} \d{3}|nvl|hbm\de?|cnx|ultra|active|ac|3e|\d{1,3}gb?"
         r"))*)",
         "{letters}{number}{suffix} {tail}", "data centre", "{gen}", _centre_generation,
         needs_maker=True),
    rule("cmp", "nvidia", "gpu", r"cmp (?P<number>\d{2,3})hx", "cmp {number}hx", "cmp", ""),
    rule("p10x", "nvidia", "gpu", r"p(?P<number>10\d) (?P<tail>\d{2,3})", "p{number} {tail}",
         "p", "", no_generation),
)  # fmt: skip


_TIER_NUMBER: Final = r"(?P<tier>\d) (?P<number>\d{4}) ?(?P<suffix>mx|[hknsuxyz])?"


def _tiered(maker: str, line: str) -> Rule:
    """A line that is built of a class digit, a number of four digits and a class suffix."""
    return rule(f"{maker}_{line}", maker, "cpu", f"{line} {_TIER_NUMBER}",
                f"{line} {{tier}} {{number}}{{suffix}}", line, "{gen} {suffix}",
                all_but_two)  # fmt: skip


def _numbered_graphics(maker: str, line: str) -> Rule:
    """Graphics that are built of a number, a letter or two, and the form they are made for."""
    return rule(f"{maker}_{line}", maker, "gpu",
                rf"{line} (?P<number>\d{{3,4}}) ?(?P<suffix>m|xt|x)?(?: (?P<form>laptop))?"
                r"(?: graphics)?",
                f"{line} {{number}}{{suffix}} {{form}}", line, "{gen} {suffix} {form}",
                all_but_two)  # fmt: skip


OTHER_RULES: Final[tuple[Rule, ...]] = (
    *(_tiered("norvane", line) for line in ("sable", "tarnel")),
    *(_tiered("ketterly", line) for line in ("drift", "quorrel")),
    *(_numbered_graphics("osmer", line) for line in ("kestrel", "vessick")),
    rule("apple_m", "apple", "cpu", r"m(?P<number>\d)(?: (?P<tier>pro|max|ultra))?",
         "m{number} {tier}", "m", "{gen} {tier}", first_digit, needs_maker=True),
    # The number's letter shows the tier where older systems leave it out.
    *(rule(f"snapdragon_x_{tier}", "qualcomm", "cpu",
           rf"snapdragon x(?P<two>2?) (?P<number>x\d{tier[0]}[0-9a-z]{{5}})"
           r"(?: qualcomm)?(?: oryon)?",
           f"snapdragon x{{two}} {tier} {{number}}", "snapdragon x{two}", tier)
      for tier in ("elite", "plus")),
    rule("snapdragon_x", "qualcomm", "cpu",
         r"snapdragon x(?P<two>2?)(?: (?P<tier>elite extreme|elite|plus))? "
         r"(?P<number>x\d[ep]?[0-9a-z]{5})(?: qualcomm)?(?: oryon)?",
         "snapdragon x{two} {tier} {number}", "snapdragon x{two}", "{tier}"),
    rule("snapdragon_gen", "qualcomm", "cpu",
         r"snapdragon (?P<number>\d{1,2}(?:cx|cx lite|c|s)?)"
         r"(?:(?P<version> gen) ?(?P<gen_number>\d))?",
         "snapdragon {number} {version} {gen_number}", "snapdragon", "{number}"),
    rule("snapdragon", "qualcomm", "cpu", r"snapdragon (?P<number>\d{3})", "snapdragon {number}",
         "snapdragon", "{gen}", first_digit),
    rule("adreno", "qualcomm", "gpu", r"adreno (?P<letters>x\d )?(?P<number>\d{2,3})",
         "adreno {letters} {number}", "adreno", "{letters} {gen}", first_digit),
    rule("adreno_of_computers", "qualcomm", "gpu",
         r"adreno (?P<number>\d{1,2}cx)(?P<gen_word> gen \d)?",
         "adreno {number} {gen_word}", "adreno", "{number}"),
    rule("surface", "microsoft", "cpu", r"sq(?P<number>\d)", "sq{number}", "sq", "{number}",
         needs_maker=True),
    rule("hygon", "hygon", "cpu", r"c86 (?P<version>\dg )?(?P<number>\d{4})(?P<suffix>h?)",
         "c86 {version} {number}{suffix}", "c86", "{version} {gen} {suffix}", first_digit),
    rule("via_nano", "via", "cpu",
         r"(?P<line>nano|eden|quadcore)(?: (?P<cores>x[24]))? (?P<letters>[clue])(?P<number>\d{4})",
         "{line} {cores} {letters}{number}", "{line}", "{cores} {letters} {gen}", first_digit),
    rule("via_c", "via", "cpu", r"c(?P<number>4\d{3})", "c{number}", "c", "{gen}", first_digit,
         needs_maker=True),
    rule("zhaoxin", "zhaoxin", "cpu",
         r"(?P<line>kaixian kx|kaisheng (?P<large>kh)) (?P<letters>[uc]?)"
         r"(?P<number>(?(large)\d{5}|\d{4}))"
         r"(?P<suffix>ma|[adgm])?(?: (?P<cores>\d{1,2}))?",
         "{line} {letters}{number}{suffix} {cores}", "{line}", "{gen} {letters}{suffix}",
         no_generation),
)  # fmt: skip
