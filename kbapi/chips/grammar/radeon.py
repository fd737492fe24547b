"""How AMD builds graphics names. Laptop, notebook and mobile have become "laptop" by now."""

from typing import Final

from kbapi.chips.grammar.rule import Rule, no_generation, rule, thousands

# Boards print their size of memory behind the name of one and the same chip.
_MEMORY: Final = r"(?: \d{1,3}gb)?"
_GRAPHICS: Final = r"(?: (?:series|graphics))?"

RULES: Final[tuple[Rule, ...]] = (
    # Sold in two sizes that are two chips.
    rule("radeon_rx_sized", "amd", "gpu",
         r"(?:radeon )?rx ?(?P<number>6750) ?gre (?P<memory>10gb|12gb)(?: g?ddr\dx?)?",
         "radeon rx {number} gre {memory}", "radeon rx", "{gen}", thousands),
    # One letter touches the digits and is a chip of its own; the step words stand apart.
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
    # Windows prints RX before integrated Vega graphics too; the number tells them apart.
    rule("radeon_vega", "amd", "gpu",
         r"(?:radeon )?(?:rx )?vega ?(?P<number>\d{1,2})(?: laptop)?(?: graphics)?(?: laptop)?"
         r"(?P<ws> ws)?",
         "radeon vega {number} {ws}", "radeon vega", ""),
    rule("radeon_vega_frontier", "amd", "gpu", r"radeon vega frontier edition",
         "radeon vega frontier edition", "radeon vega", "frontier"),
    rule("radeon_vii", "amd", "gpu", r"radeon (?P<pro>pro )?vii", "radeon {pro} vii",
         "radeon {pro} vii", ""),
    rule("radeon_pro_w", "amd", "gpu",
         r"(?:radeon )?pro (?P<line>w|v) ?(?P<number>\d{3,4})(?P<letter>x2|m|x|l|)"
         rf"(?: (?P<tail>dual slot|duo))?{_MEMORY}{_GRAPHICS}",
         "radeon pro {line}{number}{letter} {tail}", "radeon pro {line}", "{gen} {letter}",
         thousands),
    rule("radeon_pro_wx", "amd", "gpu", rf"(?:radeon )?pro wx ?(?P<number>\d{{4}}){_GRAPHICS}",
         "radeon pro wx {number}", "radeon pro wx", "{gen}", thousands),
    rule("radeon_pro", "amd", "gpu",
         r"radeon pro (?P<vega>vega )?(?P<number>\d{2,4})(?P<letter>[mxd]?)"
         rf"(?: ?(?P<step>xt|duo|ii duo|ii))?{_GRAPHICS}",
         "radeon pro {vega} {number}{letter} {step}", "radeon pro", "{vega} {gen} {letter}",
         thousands),
    rule("radeon_pro_word", "amd", "gpu", r"radeon pro (?P<word>duo|ssg)", "radeon pro {word}",
         "radeon pro", "{word}"),
    rule("radeon_ai_pro", "amd", "gpu",
         r"radeon ai pro r(?P<number>\d{4})(?P<letter>[a-z]?)",
         "radeon ai pro r{number}{letter}", "radeon ai pro", "{gen}", thousands),
    rule("radeon_r", "amd", "gpu",
         rf"radeon r(?P<tier>[5789]) (?P<m>m)?(?P<number>\d{{3}})(?P<letter>x2|x|dx|d|e)?{_MEMORY}"
         r"(?: (?P<oem>oem))?(?: graphics)?",
         "radeon r{tier} {m}{number}{letter} {oem}", "radeon r{tier}", "{gen} {m}",
         thousands),
    rule("radeon_r_word", "amd", "gpu", r"(?:radeon )?r9 (?P<word>fury x|fury|nano)",
         "radeon r9 {word}", "radeon r9", "fury"),
    rule("radeon_hd_mobility", "amd", "gpu",
         r"(?:mobility radeon|radeon mobility) hd ?(?P<number>\d{4})(?P<letter>[a-z]?)"
         r"(?: graphics)?",
         "mobility radeon hd {number}{letter}", "mobility radeon hd", "{gen}", thousands),
    rule("radeon_hd", "amd", "gpu",
         rf"radeon hd ?(?P<number>\d{{4}})(?P<letter>[mdgae]?)(?: (?P<step>x2|xt|pro|oem))?"
         rf"{_MEMORY}(?: graphics)?",
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
         r"(?:radeon )?firepro (?P<letter>[wvsmdr]) ?(?P<number>\d{3,5})(?P<tail>[a-z]?)"
         r"(?P<two> x2)?(?: firegl v?)?(?: graphics)?(?: adapter)?",
         "firepro {letter}{number}{tail} {two}", "firepro {letter}", "{gen}", thousands),
    rule("instinct", "amd", "gpu",
         r"(?P<brand>radeon )?instinct mi(?P<number>\d{1,3})(?P<letter>x2|[a-z]?)"
         r"(?: (?P<tail>oam|hf))?",
         "{brand} instinct mi{number}{letter} {tail}", "instinct", "{gen}", no_generation),
)  # fmt: skip
