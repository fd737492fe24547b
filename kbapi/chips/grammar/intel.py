"""Names of Intel processors and graphics."""

from typing import Final

from kbapi.chips.grammar.rule import (
    Generation,
    Groups,
    Rule,
    first_digit,
    no_generation,
    rule,
    thousands,
)

# What may follow the digits. A list and not "any letters", so that a typing error does not
# become a new chip.
CORE_SUFFIX: Final = (
    "k|kf|ks|ke|f|t|te|s|p|r|c|b|x|xe|g|e|eq|u|um|ue|ul|ure|y|m|mq|mx|me|qm|qe|xm|lm|le|"
    "h|hk|hq|hx|he|hl|hf|hr|hre|pe|ps|pre|pf|ec|kb|gre"
)
_ULTRA_SUFFIX: Final = "u|h|hx|v|k|kf|ks|f|t|te|ul|hl|p|pe|e|y|ue"
_XEON_METAL_SUFFIX: Final = "f|h|hl|hc|l|m|n|p|q|r|s|t|te|u|v|y|a|b|c|cl|cy"
_XEON_LETTER_SUFFIX: Final = "g|ge|gel|m|me|ml|mle|mre|n|ne|nt|it|t|te|ter|tr|e|p|x|b|a"
_LOW_POWER_SUFFIX: Final = "t|te|e|u|ue|m|y|c|l|he|a"
_ATOM_SUFFIX: Final = "b|c|ct|d|e|f|fe|g|l|p|pt|r|re|rc|rk|t"

# The digits that there are. One digit too many or too few is a slip, not a new chip: three digits
# are the first generation, four the second to the ninth and low-power parts of the tenth and
# later ones, which always have a suffix, five the tenth and later ones.
_CORE_NUMBER: Final = r"(?<!9 )(?<!i9)[3-9]\d{2}|[2-9]\d{3}|1[0-4]\d{3}|1[0-4]\d{2}(?= ?[a-z])"
_VERSION: Final = r"(?: ?(?P<version>v\d))?"

# Generations whose low-power parts have several designs, shown by the last digit: 8250U, 8265U
# and 8259U have nothing but the generation in common.
_MIXED_GENERATIONS: Final = {
    ("8", "u"): {"1": "cannon lake", "5": "whiskey lake", "7": "coffee lake", "9": "coffee lake"},
}

# First generation names printed the class letter before the number; what it is written as now.
_OLD_ORDER: Final = {"m": "m", "l": "lm", "u": "um", "q": "qm", "x": "x", "k": "k", "s": "s",
                     "e": "e"}  # fmt: skip


def core_generation(groups: Groups) -> str:
    """The generation of a Core number: 860 → 1, 7700 → 7, 1165 → 11, 10750 → 10."""
    number = groups["number"]
    if len(number) == 3:
        return "1"
    return number[:2] if number[0] == "1" else number[0]


def _core_series(groups: Groups) -> str:
    """The generation, and the design where one generation was sold in several."""
    generation = core_generation(groups)
    last = groups["number"][-1]
    design = _MIXED_GENERATIONS.get((generation, groups["suffix"]), {}).get(last, "")
    return f"{generation} {design}"


def _core(
    name: str, number: str, key: str, series: str, generation: Generation = core_generation
) -> Rule:
    return rule(
        name, "intel", "cpu", rf"(?:core )?i ?(?P<tier>[3579]) ?{number}",
        f"core i{{tier}} {key}", "core", series, generation,
    )  # fmt: skip


def _old_order(letter: str, suffix: str, number: str = r"\d{3}") -> Rule:
    return _core(
        f"core_letter_first_{suffix}",
        rf"{letter} ?(?P<number>{number})",
        f"{{number}}{suffix}",
        f"{{gen}} {suffix}",
    )


RULES: Final[tuple[Rule, ...]] = (
    _core("core_i", rf"(?P<number>{_CORE_NUMBER})(?: ?(?P<suffix>{CORE_SUFFIX}))?",
          "{number}{suffix}", "{gen} {suffix}", _core_series),
    _core("core_i_graphics_level", r"(?P<number>1\d{3})(?P<low>n?)g(?P<level>\d)(?P<suffix>e?)",
          "{number}{low}g{level}{suffix}", "{gen} {low}g{suffix}"),
    _core("core_i_hybrid", r"l(?P<number>1\d)g(?P<level>\d)", "l{number}g{level}", "10 lg"),
    _core("core_i_y", r"(?P<number>\d)y(?P<rest>\d{2})", "{number}y{rest}", "{number} y"),
    _core("core_i_n", r"n(?P<number>\d{3})", "n{number}", "n"),
    # 920XM and 940XM are mobile, 980X and 990X are not; both print "X" first.
    _old_order("x", "xm", r"9[24]\d"),
    *(_old_order(letter, suffix) for letter, suffix in _OLD_ORDER.items()),
    rule("core_ultra", "intel", "cpu",
         rf"(?:core )?ultra (?P<tier>x?[3579]) (?P<number>\d{{3}}) ?(?P<suffix>{_ULTRA_SUFFIX})?"
         r"(?: (?P<plus>plus))?",
         "core ultra {tier} {number}{suffix} {plus}", "core ultra", "{gen} {suffix}", first_digit),
    # Written without the i; the artificial token "series" separates them from the first generation.
    rule("core_plain", "intel", "cpu",
         rf"core (?P<tier>[3579]) (?P<low>n?)(?P<number>\d{{3}}) ?(?P<suffix>{_ULTRA_SUFFIX})?",
         "core {tier} {low}{number}{suffix}", "core", "series {gen} {low}{suffix}", first_digit),
    rule("core_m", "intel", "cpu",
         r"core m(?P<tier>[357])? (?P<number>\d)y(?P<rest>\d{2})(?P<suffix>[ac])?",
         "core m{tier} {number}y{rest}{suffix}", "core m", "{gen}", first_digit),
    rule("core_m_long", "intel", "cpu", r"core m(?P<tier>[357]) (?P<number>\d{4})y",
         "core m{tier} {number}y", "core m", "{gen}", first_digit),
    rule("core_2", "intel", "cpu",
         r"core ?2(?: ?(?P<cores>duo|quad|extreme|solo))? "
         r"(?P<letters>qx|s[lpu]|[eqxtplu])?(?P<number>\d{4})(?P<suffix>[sg]?)",
         "core 2 {cores} {letters}{number}{suffix}", "core 2", "{cores} {gen} {letters}",
         first_digit),
    rule("core_1", "intel", "cpu",
         r"core (?P<cores>duo|solo) (?P<letters>[tlu])(?P<number>[12]\d{3})",
         "core {cores} {letters}{number}", "core {cores}", "{gen} {letters}", first_digit),
    rule("pentium_tier", "intel", "cpu",
         r"pentium (?P<tier>gold|silver) (?P<letters>[gnj]?)(?P<number>\d{4})"
         r"(?P<suffix>t|te|u|y|e|ue)?",
         "pentium {tier} {letters}{number}{suffix}", "pentium {tier}",
         "{gen} {letters}{suffix}", first_digit),
    rule("pentium_celeron", "intel", "cpu",
         r"(?P<line>pentium|celeron)(?: dual)? "
         rf"(?P<letters>su|[etupbgnjd])?(?P<number>\d{{3,4}})(?P<suffix>{_LOW_POWER_SUFFIX})?"
         r"(?: ?(?P<version>v2))?",
         "{line} {letters}{number}{suffix} {version}", "{line}",
         "{gen} {letters}{suffix} {version}", first_digit),
    rule("celeron_m", "intel", "cpu", r"celeron m (?P<number>\d{3})", "celeron m {number}",
         "celeron m", "{gen}", first_digit),
    rule("atom_tier", "intel", "cpu",
         r"atom (?P<tier>x[357]) (?P<letters>[zeca])(?P<number>\d{4})"
         rf"(?P<suffix>{_ATOM_SUFFIX})?",
         "atom {tier} {letters}{number}{suffix}", "atom", "{gen} {tier}{letters}{suffix}",
         first_digit),
    rule("atom", "intel", "cpu",
         rf"atom (?P<letters>[nzdecpsxa]?)(?P<number>\d{{3,4}})(?P<suffix>{_ATOM_SUFFIX})?",
         "atom {letters}{number}{suffix}", "atom", "{gen} {letters}{suffix}", first_digit),
    # Sold without a line of its own: "Intel(R) N100", "Intel(R) Processor U300".
    rule("processor", "intel", "cpu",
         r"(?:processor )?(?P<letters>n(?!3\d\d)|u)(?P<number>[59]\d|[1-9]\d0)(?P<suffix>e?)",
         "processor {letters}{number}{suffix}", "processor", "{letters}{suffix}", no_generation,
         needs_maker=True),
    rule("processor_plain", "intel", "cpu", r"(?:processor )?(?P<number>3[01]0)(?P<suffix>t?)",
         "processor {number}{suffix}", "processor", "{gen} {suffix}", first_digit,
         needs_maker=True),
    rule("xeon_metal", "intel", "cpu",
         r"xeon (?P<tier>bronze(?= 3)|silver(?= 4)|gold(?= [56])|platinum(?= (?:p ?)?[89])) "
         r"(?P<letters>p?) ?(?P<number>\d{4})"
         rf"(?P<suffix>{_XEON_METAL_SUFFIX})?(?: (?P<plus>plus))?",
         "xeon {tier} {letters} {number}{suffix} {plus}", "xeon {tier}", "{gen} {suffix}",
         lambda groups: groups["number"][1]),
    rule("xeon_e357", "intel", "cpu",
         rf"(?:xeon )?e(?P<tier>[357]) ?(?P<number>[1248]\d{{3}})"
         rf"(?P<suffix>[abclmprw]?){_VERSION}(?: 0)?",
         "xeon e{tier} {number}{suffix} {version}", "xeon e{tier}", "{gen} {version} {suffix}",
         first_digit),
    rule("xeon_w_tier", "intel", "cpu",
         r"xeon w(?P<tier>[3579]) (?P<number>\d{4})(?P<suffix>x?)",
         "xeon w{tier} {number}{suffix}", "xeon w", "{gen} {suffix}",
         lambda groups: groups["number"][:2]),
    rule("xeon_letter", "intel", "cpu",
         rf"xeon (?P<line>[edw]) (?P<number>\d{{4,5}})(?P<suffix>{_XEON_LETTER_SUFFIX})?",
         "xeon {line} {number}{suffix}", "xeon {line}", "{gen} {suffix}",
         lambda groups: groups["number"][:2]),
    rule("xeon_old", "intel", "cpu",
         r"xeon (?P<letters>[elxw]c?)(?P<number>[3-7]\d{3})", "xeon {letters}{number}", "xeon",
         "{gen} {letters}", lambda groups: groups["number"][:2]),
    rule("xeon_max", "intel", "cpu", r"xeon max (?P<number>9\d{3})(?P<suffix>c?)",
         "xeon max {number}{suffix}", "xeon max", "{gen} {suffix}", first_digit),
    rule("xeon_phi", "intel", "cpu", r"xeon phi (?P<number>\d{4})(?P<suffix>[adfpx]?)",
         "xeon phi {number}{suffix}", "xeon phi", "{gen} {suffix}", first_digit),
    rule("xeon_6", "intel", "cpu", r"xeon (?:6 )?(?P<number>6\d{3})(?P<suffix>p b|[pe])",
         "xeon {number}{suffix}", "xeon 6", "{gen} {suffix}",
         lambda groups: groups["number"][:2]),
    rule("xeon_6_workstation", "intel", "cpu", r"xeon (?:6 )?(?P<number>6\d{2})(?P<suffix>x)",
         "xeon {number}{suffix}", "xeon 6", "{gen} {suffix}", first_digit),
    rule("xeon_number", "intel", "cpu", r"xeon (?P<number>[357]\d{3})", "xeon {number}", "xeon",
         "{gen}", lambda groups: groups["number"][:2]),
)  # fmt: skip


GRAPHICS_RULES: Final[tuple[Rule, ...]] = (
    # Four digits behind a bare HD can be another maker's: the token or the maker is required.
    *(rule(name, "intel", "gpu", rf"(?P<line>u?hd){token}(?P<letter>p?)(?P<number>{digits})"
           r"(?: graphics)?(?: laptop| desktop)?", "{line} graphics {letter}{number}",
           "{line} graphics",
           "{gen} {letter}", thousands, needs_maker=needs_maker)
      for name, token, digits, needs_maker in (
          ("hd_graphics", " graphics ", r"\d{3,4}|g[147]", False),
          ("hd_short", " ?", r"\d{3}", False),
          ("hd_short_old", " ?", r"\d{4}", True))),
    rule("iris_xe", "intel", "gpu",
         r"iris xe(?P<tier> max| pod)?(?P<size> 100)?(?: graphics)?(?: family)?",
         "iris xe {tier} {size} graphics", "iris xe", "{tier}", no_generation),
    rule("iris", "intel", "gpu",
         r"iris (?P<tier>(?:plus|pro) )?(?:graphics )?(?P<number>p?\d{3,4}|g[147])"
         r"(?: graphics)?",
         "iris {tier} graphics {number}", "iris {tier} graphics", "{gen}", first_digit),
    rule("arc", "intel", "gpu",
         r"arc (?P<pro>pro )?(?:graphics )?(?P<letter>[a-e])"
         r"(?P<number>(?(pro)[1-9]0|[1-9][1-9]0))(?P<mobile>m?)"
         r"(?: \d{1,2}gb)?(?: graphics)?",
         "arc {pro} {letter}{number}{mobile}", "arc {pro}", "{letter} {mobile}",
         no_generation),
    rule("arc_integrated", "intel", "gpu",
         r"arc (?P<pro>pro )?(?:graphics )?(?P<number>\d{3})(?P<letter>[vtu])(?: graphics)?",
         "arc {pro} {number}{letter}", "arc {pro} integrated", "{gen} {letter}", first_digit),
    rule("data_centre", "intel", "gpu", r"data center gpu (?P<tier>flex|max) (?P<number>\d{3,4})",
         "data center gpu {tier} {number}", "data center gpu {tier}", ""),
)  # fmt: skip
