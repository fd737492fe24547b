import pytest

from kbapi.chips.naming import identify_chip
from tests.chips.mutations import KINDS, Mutation, fault_of, faults, is_spelled

SHORT = 1_800


@pytest.mark.parametrize("seed", range(3))
def test_no_mutation_is_merged_or_accepted_that_should_not_be(seed: int) -> None:
    assert faults(SHORT, seed) == []


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("case", "no such chip"),
        ("padding", "i7-8700"),
        ("second chip", "i7-8700K"),
        ("wrong maker", "i7-8700K"),
        ("digit", "i7-8700K"),
        ("suffix", "i7-8700K"),
        ("cut", "NVIDIA Tesla K2000"),
    ],
)
def test_a_fault_of_each_kind_is_found(kind: str, text: str) -> None:
    assert kind in KINDS
    assert fault_of(Mutation(kind, text, "intel-core-i7-8700k"))


def test_a_chip_whose_number_is_not_in_the_text_is_not_spelled() -> None:
    chip = identify_chip("i7-8700K").chip
    assert chip is not None
    assert is_spelled(chip, "Core(TM) I7-8700K")
    assert not is_spelled(chip, "i7-8750K")
    assert not is_spelled(chip, "Core i5-8600K")
