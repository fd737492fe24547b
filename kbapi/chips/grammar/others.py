"""How the remaining processor makers build names, those of the demo among them."""

from typing import Final

from kbapi.chips.grammar.rule import Rule, all_but_two, first_digit, no_generation, rule

_TIER_NUMBER: Final = r"(?P<tier>\d) (?P<number>\d{4}) ?(?P<suffix>[a-z]{0,2})"


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


RULES: Final[tuple[Rule, ...]] = (
    *(_tiered("norvane", line) for line in ("sable", "tarnel")),
    *(_tiered("ketterly", line) for line in ("drift", "quorrel")),
    *(_numbered_graphics("osmer", line) for line in ("kestrel", "vessick")),
    rule("apple_m", "apple", "cpu", r"m(?P<number>\d)(?: (?P<tier>pro|max|ultra))?",
         "m{number} {tier}", "m", "{gen} {tier}", first_digit, needs_maker=True),
    # The number's letter tells the tier where older systems leave the word out.
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
         r"snapdragon (?P<number>\d{1,2}(?:cx|cx lite|c|s)?)(?: gen ?(?P<version>\d))?",
         "snapdragon {number} gen {version}", "snapdragon", "{number}"),
    rule("snapdragon", "qualcomm", "cpu", r"snapdragon (?P<number>\d{3})", "snapdragon {number}",
         "snapdragon", "{gen}", first_digit),
    rule("adreno", "qualcomm", "gpu", r"adreno (?P<letters>x\d )?(?P<number>\d{2,3})",
         "adreno {letters} {number}", "adreno", "{letters} {gen}", first_digit),
    rule("surface", "microsoft", "cpu", r"sq(?P<number>\d)", "sq{number}", "sq", "{number}",
         needs_maker=True),
    rule("hygon", "hygon", "cpu", r"c86 (?P<version>\dg )?(?P<number>\d{4})(?P<suffix>[a-z]?)",
         "c86 {version} {number}{suffix}", "c86", "{version} {gen} {suffix}", first_digit),
    rule("via_nano", "via", "cpu",
         r"(?P<line>nano|eden|quadcore)(?: (?P<cores>x[24]))? (?P<letters>[a-z])(?P<number>\d{4})",
         "{line} {cores} {letters}{number}", "{line}", "{cores} {letters} {gen}", first_digit),
    rule("zhaoxin", "zhaoxin", "cpu",
         r"(?P<line>kaixian kx|kaisheng kh) (?P<letters>[uc]?)(?P<number>\d{4,5})"
         r"(?P<suffix>[a-z]{0,2})(?: (?P<cores>\d{1,2}))?",
         "{line} {letters}{number}{suffix} {cores}", "{line}", "{gen} {letters}{suffix}",
         no_generation),
)  # fmt: skip
