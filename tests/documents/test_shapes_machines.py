"""A machine is a class of the catalogue, or maker and model; a free text is neither."""

import pytest

from kbapi.chips.catalogue_file import load_catalogue
from kbapi.demo.members import bundled_club
from kbapi.documents.shapes import find_machine
from kbapi.settings import bundled_folder

CATALOGUE = load_catalogue(bundled_folder("seed_data") / "club" / "catalogue")
CLASSES = {"ferry-handheld"}


def test_every_class_of_the_club_is_in_the_catalogue() -> None:
    assert {one.key for one in bundled_club().classes} <= CATALOGUE.machines


@pytest.mark.parametrize("text", ["ferry-handheld", "Ferry Handheld", "FERRY-HANDHELD"])
def test_a_class_is_read_in_any_spelling(text: str) -> None:
    assert find_machine(text, CLASSES) == "ferry-handheld"


@pytest.mark.parametrize(
    "text", ["Quay 13", "Norvane Quay 13 2-in-1", "Pontoon Pro", "gaming laptop"]
)
def test_maker_and_model_or_a_kind_of_machine_is_a_machine(text: str) -> None:
    assert find_machine(text, CLASSES) == text


@pytest.mark.parametrize(
    "text", ["Anna", "Anna Holt", "ferry-box", "room of Lena 2", "my quay 13", "a  b 1", "é 13", ""]
)
def test_another_text_is_no_machine(text: str) -> None:
    assert find_machine(text, CLASSES) is None


@pytest.mark.parametrize("text", ["Default string", "To Be Filled By O.E.M."])
def test_a_placeholder_stands_for_no_machine(text: str) -> None:
    assert find_machine(text, CLASSES) == ""
