"""How Intel builds graphics names; a line without a number is a family, not a chip."""

from typing import Final

from kbapi.chips.grammar.rule import Rule, first_digit, no_generation, rule, thousands

RULES: Final[tuple[Rule, ...]] = (
    rule("hd_graphics", "intel", "gpu",
         r"(?P<line>u?hd) (?:graphics )?(?P<letter>p?)(?P<number>\d{3,4})(?: graphics)?",
         "{line} graphics {letter}{number}", "{line} graphics", "{gen} {letter}", thousands),
    rule("iris_xe", "intel", "gpu", r"iris xe(?P<tier> max| pod)?(?: graphics)?",
         "iris xe {tier} graphics", "iris xe", "{tier}", no_generation),
    rule("iris", "intel", "gpu",
         r"iris (?P<tier>(?:plus|pro) )?(?:graphics )?(?P<number>p?\d{3,4}|g[147])"
         r"(?: graphics)?",
         "iris {tier} graphics {number}", "iris {tier} graphics", "{gen}", first_digit),
    rule("arc", "intel", "gpu",
         r"arc (?P<pro>pro )?(?:graphics )?(?P<letter>[a-e])(?P<number>\d{2,3})(?P<mobile>m?)"
         r"(?: (?P<memory>\d{1,2}gb))?(?: graphics)?",
         "arc {pro} {letter}{number}{mobile} {memory}", "arc {pro}", "{letter} {mobile}",
         no_generation),
    rule("arc_integrated", "intel", "gpu",
         r"arc (?P<pro>pro )?(?:graphics )?(?P<number>\d{3})(?P<letter>[vtu])(?: graphics)?",
         "arc {pro} {number}{letter}", "arc {pro} integrated", "{gen} {letter}", first_digit),
    rule("data_centre", "intel", "gpu", r"data center gpu (?P<tier>flex|max) (?P<number>\d{3,4})",
         "data center gpu {tier} {number}", "data center gpu {tier}", ""),
)  # fmt: skip
