"""How Intel builds graphics names; a line without a number is a family, not a chip."""

from typing import Final

from kbapi.chips.grammar.rule import Rule, first_digit, no_generation, rule, thousands

RULES: Final[tuple[Rule, ...]] = (
    # Four digits behind a bare HD can be another maker's, so the word or the maker must be told.
    *(rule(name, "intel", "gpu", rf"(?P<line>u?hd){word}(?P<letter>p?)(?P<number>{digits})"
           r"(?: graphics)?(?: laptop| desktop)?", "{line} graphics {letter}{number}",
           "{line} graphics",
           "{gen} {letter}", thousands, needs_maker=needs_maker)
      for name, word, digits, needs_maker in (
          ("hd_graphics", " graphics ", r"\d{3,4}|g[147]", False),
          ("hd_short", " ?", r"\d{3}", False),
          ("hd_short_old", " ?", r"\d{4}", True))),
    rule("iris_xe", "intel", "gpu", r"iris xe(?P<tier> max| pod)?(?: graphics)?(?: family)?",
         "iris xe {tier} graphics", "iris xe", "{tier}", no_generation),
    rule("iris", "intel", "gpu",
         r"iris (?P<tier>(?:plus|pro) )?(?:graphics )?(?P<number>p?\d{3,4}|g[147])"
         r"(?: graphics)?",
         "iris {tier} graphics {number}", "iris {tier} graphics", "{gen}", first_digit),
    rule("arc", "intel", "gpu",
         r"arc (?P<pro>pro )?(?:graphics )?(?P<letter>[a-e])(?P<number>\d{2,3})(?P<mobile>m?)"
         r"(?: \d{1,2}gb)?(?: graphics)?",
         "arc {pro} {letter}{number}{mobile}", "arc {pro}", "{letter} {mobile}",
         no_generation),
    rule("arc_integrated", "intel", "gpu",
         r"arc (?P<pro>pro )?(?:graphics )?(?P<number>\d{3})(?P<letter>[vtu])(?: graphics)?",
         "arc {pro} {number}{letter}", "arc {pro} integrated", "{gen} {letter}", first_digit),
    rule("data_centre", "intel", "gpu", r"data center gpu (?P<tier>flex|max) (?P<number>\d{3,4})",
         "data center gpu {tier} {number}", "data center gpu {tier}", ""),
)  # fmt: skip
