"""Rules that refuse an implausible document: an ordered table, each with its sentence.

A refusal concerns the whole document, because a sender with one wrong sign or unit of measure has
it everywhere. The refusal lists every rule that applies, not only the first.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from kbapi.bounds import (
    DEPTH_BOUNDS,
    FIXED_CLOCK_LEAST_MV,
    FIXED_CLOCK_MOST_MV,
    LIKE_VOLTS_BELOW_MV,
    STEP_OF_1024_MV,
    STEP_ROUNDING,
)
from kbapi.chips.catalogue import Catalogue, Presence
from kbapi.chips.chip import ChipName
from kbapi.documents.measurements import InForce
from kbapi.documents.results import SubmittedResult, SubmittedSetting
from kbapi.documents.runs import contradictions_of
from kbapi.documents.shapes import child
from kbapi.errors import Problem
from kbapi.vocabulary import CONTROLS, DOMAINS, LIMIT_CONTROLS, Control, Domain

# read_back is not among them: it is a measurement, and a strange one refuses nothing.
_VALUE_FIELDS: Final = ("first_tried", "stable_at", "unstable_at", "planned_end", "in_use")


@dataclass(frozen=True, slots=True)
class Fault:
    """A field that breaks a rule, and a hint for the sender."""

    field: str
    hint: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """A named rule about one setting."""

    code: str
    sentence: str
    faults_of: Callable[[SubmittedSetting], Iterator[Fault]]


@dataclass(frozen=True, slots=True)
class DocumentRefusal:
    """A named rule about the document as a whole; the faults' fields are pointers."""

    code: str
    sentence: str
    faults_of: Callable[[SubmittedResult, str], Iterator[Fault]]


def _values(setting: SubmittedSetting) -> Iterator[tuple[str, float]]:
    for field in _VALUE_FIELDS:
        value = getattr(setting, field)
        if value is not None:
            yield field, value


def _is_offset(setting: SubmittedSetting) -> bool:
    return setting.control != "fixed_clock_voltage"


def _no_outcome(setting: SubmittedSetting) -> Iterator[Fault]:
    if setting.stable_at is None and setting.unstable_at is None:
        yield Fault("stable_at", "Send stable_at, unstable_at or both.")


def _clock_missing(setting: SubmittedSetting) -> Iterator[Fault]:
    if not _is_offset(setting) and setting.clock_mhz is None:
        yield Fault("clock_mhz", "Send clock_mhz, the clock that the voltage was set at.")


def _looks_like_volts(setting: SubmittedSetting) -> Iterator[Fault]:
    if setting.control != "voltage_offset":
        return
    hard = DEPTH_BOUNDS[setting.control, setting.domain].hard
    for field, value in _values(setting):
        if not _is_in_volts(abs(value)):
            continue
        mv = abs(value) * 1000
        if mv <= hard:
            yield Fault(field, f"Send mV: did you mean {-mv:.10g}?")
        else:
            yield Fault(field, f"{abs(value):.10g} V is no offset: {_SEND_THE_OFFSET}")


_SEND_THE_OFFSET: Final = "send the distance from stock in mV, such as -80."


def _is_in_volts(size: float) -> bool:
    """Whether an offset of this size is probably in volts.

    >>> [size for size in (0.08, 0.95, 1, 1.25, 1.95, 2.5, 3.3, 4.88, 5.2) if _is_in_volts(size)]
    [0.08, 0.95, 1.25, 3.3]
    """
    if size < 1:
        return size > 0
    steps = size / STEP_OF_1024_MV
    is_step = round(steps) > 1 and abs(steps - round(steps)) <= STEP_ROUNDING
    return size < LIKE_VOLTS_BELOW_MV and not (is_step or size % 1 == 0 or size == 2.5)


def _above_stock(setting: SubmittedSetting) -> Iterator[Fault]:
    for field, value in _values(setting):
        below_stock = setting.below_stock(value)
        if below_stock is None or below_stock >= 0:
            continue
        if setting.control == "voltage_offset" and _is_in_volts(value):
            yield Fault(field, "Send a negative number.")  # looks_like_volts gives the number
        elif _is_offset(setting):
            yield Fault(field, f"Did you mean {-value:.10g}?")
        else:
            yield Fault(field, f"stock_mv is {setting.stock_mv:.10g}: send a lower voltage.")


def _count_not_whole(setting: SubmittedSetting) -> Iterator[Fault]:
    if setting.control != "count_offset":
        return
    for field, value in _values(setting):
        if value != int(value):
            yield Fault(field, "Send the count as the maker's menu shows it, such as -15.")


def _outside_fixed_clock_range(setting: SubmittedSetting) -> Iterator[Fault]:
    if _is_offset(setting):
        return
    voltages = [*_values(setting)]
    if setting.stock_mv is not None:
        voltages.append(("stock_mv", setting.stock_mv))
    for field, value in voltages:
        if not FIXED_CLOCK_LEAST_MV <= value <= FIXED_CLOCK_MOST_MV:
            volts = f" Did you mean {value * 1000:.10g}?" if 0.4 <= value <= 1.5 else ""
            yield Fault(field, f"Send the absolute voltage in mV.{volts}")


def _beyond_hard_bound(setting: SubmittedSetting) -> Iterator[Fault]:
    hard = DEPTH_BOUNDS[setting.control, setting.domain].hard
    for field, value in _values(setting):
        below_stock = setting.below_stock(value)
        if below_stock is not None and below_stock > hard:
            yield Fault(field, f"Send at most {hard} below stock.")


def _unstable_not_deeper(setting: SubmittedSetting) -> Iterator[Fault]:
    if setting.stable_at is None or setting.unstable_at is None:
        return
    if setting.unstable_at >= setting.stable_at:
        yield Fault("unstable_at", "Send an unstable_at below stable_at. Are the two exchanged?")


def _setting_twice(result: SubmittedResult, _: str) -> Iterator[Fault]:
    seen = set()
    for index, setting in enumerate(result.settings):
        # Core with ring and ring with core are one setting. An offset has no clock.
        clock_mhz = None if _is_offset(setting) else setting.clock_mhz
        key = (setting.domains, setting.control, clock_mhz)
        if key in seen:
            yield Fault(f"/settings/{index}", "")
        seen.add(key)


def _month_ahead(result: SubmittedResult, this_month: str) -> Iterator[Fault]:
    months = {
        "/measured_in": result.measured_in,
        "/platform/firmware_month": result.platform.firmware_month,
    }
    for pointer, month in months.items():
        if month is not None and month > this_month:
            yield Fault(pointer, "")


def _trial_contradicts(result: SubmittedResult, _: str) -> Iterator[Fault]:
    hints: dict[int, str] = {}
    for setting in result.settings:
        for place, hint in contradictions_of(setting, result):
            hints.setdefault(place, hint)
    for place, hint in sorted(hints.items()):
        yield Fault(f"/trials/{place}", hint)


def _in_use_fails(setting: SubmittedSetting) -> Iterator[Fault]:
    if setting.in_use is None or setting.unstable_at is None:
        return
    if setting.in_use <= setting.unstable_at:
        yield Fault("in_use", "Send a setting nearer to stock than unstable_at.")


REFUSALS: Final = (
    Refusal(
        "no_outcome",
        "A setting needs a value that passed, a value that failed, or both.",
        _no_outcome,
    ),
    Refusal(
        "clock_missing",
        "A fixed voltage needs the clock that it was set at.",
        _clock_missing,
    ),
    Refusal(
        "looks_like_volts",
        "Offsets are in millivolts. This size is probably in volts.",
        _looks_like_volts,
    ),
    Refusal(
        "above_stock",
        "This setting is above stock. kbapi collects only settings below stock, and negative is "
        "lower.",
        _above_stock,
    ),
    Refusal(
        "count_not_whole",
        "A count offset is a whole number of the maker's counts.",
        _count_not_whole,
    ),
    Refusal(
        "outside_fixed_clock_range",
        f"A fixed voltage is between {FIXED_CLOCK_LEAST_MV} and {FIXED_CLOCK_MOST_MV} mV.",
        _outside_fixed_clock_range,
    ),
    Refusal(
        "beyond_hard_bound",
        "This setting is deeper than any known chip can run. Check the unit of measure.",
        _beyond_hard_bound,
    ),
    Refusal(
        "unstable_not_deeper",
        "The failed value must be deeper than the passed value.",
        _unstable_not_deeper,
    ),
    Refusal(
        "in_use_fails",
        "The setting in use failed, or is deeper than one that failed.",
        _in_use_fails,
    ),
)

_OF_ONE_VALUE: Final = (
    _looks_like_volts,
    _above_stock,
    _count_not_whole,
    _outside_fixed_clock_range,
    _beyond_hard_bound,
)
"""The rules for a single value, as in force during a trial or a reading."""

DOCUMENT_REFUSALS: Final = (
    DocumentRefusal(
        "setting_twice",
        "The document has this control, domain and clock twice. Send one setting for them.",
        _setting_twice,
    ),
    DocumentRefusal(
        "month_in_future",
        "This month is in the future. Check the year.",
        _month_ahead,
    ),
    DocumentRefusal(
        "trial_contradicts",
        "This run contradicts a setting of the document.",
        _trial_contradicts,
    ),
)


def refuse_setting(setting: SubmittedSetting, pointer: str) -> Iterator[Problem]:
    """Every problem of one setting, in the order of the table."""
    for rule in REFUSALS:
        for fault in rule.faults_of(setting):
            yield Problem(child(pointer, fault.field), rule.code, f"{rule.sentence} {fault.hint}")


def refuse_document(result: SubmittedResult, this_month: str) -> Iterator[Problem]:
    """Every problem of the document as a whole, in the order of the table."""
    for rule in DOCUMENT_REFUSALS:
        for fault in rule.faults_of(result, this_month):
            yield Problem(fault.field, rule.code, f"{rule.sentence} {fault.hint}".strip())


def refuse_in_force(result: SubmittedResult) -> Iterator[Problem]:
    """Every problem of the single values in force during trials and readings."""
    for pointer, one in _in_force(result):
        yield from _refuse_in_force(one, f"{pointer}/value")


def _in_force(result: SubmittedResult) -> Iterator[tuple[str, InForce]]:
    """Each single value in force during trials and readings, with its pointer."""
    runs = [(f"/trials/{place}", run.settings) for place, run in enumerate(result.trials)]
    runs += [(f"/readings/{place}", run.settings) for place, run in enumerate(result.readings)]
    for pointer, settings in runs:
        for index, one in enumerate(settings):
            yield f"{pointer}/settings/{index}", one


def _refuse_in_force(one: InForce, pointer: str) -> Iterator[Problem]:
    control = next((control for control in LIMIT_CONTROLS if control == one.control), None)
    if control is not None:
        yield from refuse_value(SubmittedSetting(one.domain, control, stable_at=one.value), pointer)


def refuse_value(alone: SubmittedSetting, pointer: str) -> Iterator[Problem]:
    """Every problem of a single value, given as the stable_at of a setting."""
    for rule in REFUSALS:
        if rule.faults_of in _OF_ONE_VALUE:
            for fault in rule.faults_of(alone):
                yield Problem(pointer, rule.code, f"{rule.sentence} {fault.hint}")


NOT_ON_THIS_CHIP: Final[Literal["not_on_this_chip"]] = "not_on_this_chip"
"""The code of a refusal, of a screening rule, and of a reason for an answer without numbers."""


@dataclass(frozen=True, slots=True)
class Absence:
    """A domain or a control that the catalogue describes a chip without."""

    name: Domain | Control
    is_certain: bool
    """Whether a source says so; otherwise results with it are stored and excluded."""
    text: str
    """What the chip lacks and what it has, for a person."""


def find_absences(
    catalogue: Catalogue, chip: ChipName, domains: Sequence[Domain], control: Control | None
) -> Iterator[Absence]:
    """The domains that the chip lacks, then the control if the others of them lack it."""
    there: list[Domain] = []
    for domain in domains:
        presence = catalogue.domain_presence(chip, domain)
        if presence.state == "absent":
            known = {one: catalogue.domain_presence(chip, one) for one in DOMAINS}
            yield _absence(chip, domain, domain, presence, known)
        else:
            there.append(domain)
    absent = None if control is None else _absent_control(catalogue, chip, there, control)
    if absent is not None:
        yield absent


def find_absent_tuning(catalogue: Catalogue, chip: ChipName) -> Absence | None:
    """That the chip has no control at all; None if it has one, or may have one."""
    known = {one: catalogue.control_presence(chip, one) for one in CONTROLS}
    if any(presence.state != "absent" for presence in known.values()):
        return None
    certain = all(presence.is_certain for presence in known.values())
    return _absence(chip, CONTROLS[0], "control", Presence("absent", certain), known)


def _absent_control(
    catalogue: Catalogue, chip: ChipName, domains: Sequence[Domain], control: Control
) -> Absence | None:
    """The control, if the chip lacks it altogether or on one of these domains."""
    for domain in (None, *domains):
        presence = catalogue.control_presence(chip, control, domain)
        if presence.state == "absent":
            known = {one: catalogue.control_presence(chip, one, domain) for one in CONTROLS}
            what = control if domain is None else f"{control} on {domain}"
            return _absence(chip, control, what, presence, known)
    return None


def _absence(
    chip: ChipName,
    name: Domain | Control,
    what: str,
    presence: Presence,
    known: Mapping[Domain, Presence] | Mapping[Control, Presence],
) -> Absence:
    lacks = f"{chip.name} has no {what}."
    if not presence.is_certain:
        lacks = f"The catalogue lists no {what} for {chip.name}, but may be wrong."
    return Absence(name, presence.is_certain, f"{lacks} {_what_it_has(known)}")


def _what_it_has(known: Mapping[Domain, Presence] | Mapping[Control, Presence]) -> str:
    """What is there, else what may be there.

    >>> _what_it_has({"core": Presence("present", True), "ring": Presence("absent", True)})
    'It has: core.'
    >>> _what_it_has({"gpu_core": Presence("unclear", False)})
    'It may have: gpu_core.'
    >>> _what_it_has({"core": Presence("absent", True)})
    'The catalogue lists none.'
    """
    for state, verb in (("present", "It has"), ("unclear", "It may have")):
        names = [name for name, presence in known.items() if presence.state == state]
        if names:
            return f"{verb}: {', '.join(names)}."
    return "The catalogue lists none."


def refuse_absent(
    chip: ChipName,
    catalogue: Catalogue,
    pointer: str,
    domain: Domain | None,
    control: Control | None,
    moved_with: Sequence[Domain] = (),
) -> Iterator[Problem]:
    """A problem for each part of a setting, or of a question, that the chip certainly lacks."""
    own = () if domain is None else (domain,)
    others = tuple(one for one in moved_with if one != domain)
    for absent in find_absences(catalogue, chip, (*own, *others), control):
        field = "control" if absent.name == control else "moved_with"
        if absent.is_certain:
            at = child(pointer, "domain" if absent.name == domain else field)
            yield Problem(at, NOT_ON_THIS_CHIP, absent.text)


def refuse_absent_in_force(
    result: SubmittedResult, chip: ChipName, catalogue: Catalogue
) -> Iterator[Problem]:
    """A problem for each domain and control in force that the chip certainly lacks.

    Only the first place of each is listed, because every run has the same ones.
    """
    first: dict[tuple[Domain, Control], str] = {}
    for pointer, one in _in_force(result):
        first.setdefault((one.domain, one.control), pointer)
    for (domain, control), pointer in first.items():
        yield from refuse_absent(chip, catalogue, pointer, domain, control)
