import pytest

from kbapi.chips.naming import ChipIds, find_key, identify_chip


@pytest.mark.parametrize(
    ("text", "ids", "key"),
    [
        ("NVIDIA GeForce GTX 1650", ChipIds(pci_id="10de:1f82"), "nvidia-geforce-gtx-1650"),
        ("NVIDIA GeForce GTX 1650", ChipIds(pci_id="10DE:1F99"), "nvidia-geforce-gtx-1650-laptop"),
        ("GeForce GTX 1060", ChipIds(pci_id="10de:1c02"), "nvidia-geforce-gtx-1060-3gb"),
        (
            "Ellesmere [Radeon RX 470/480/570/570X/580/580X/590]",
            ChipIds(pci_id="1002:67df", pci_revision="e7"),
            "amd-radeon-rx-580",
        ),
        ("AMD Radeon Graphics", ChipIds(pci_id="1002:7550", pci_revision="0xC0"),
         "amd-radeon-rx-9070-xt"),
        ("7700", ChipIds(family=6, model=158), "intel-core-i7-7700"),
        ("7700", ChipIds(family=25, model=97), "amd-ryzen-7-7700"),
        ("780m", ChipIds(pci_id="1002:15bf"), "amd-radeon-780m"),
    ],
)  # fmt: skip
def test_numbers_decide_what_the_name_leaves_open(text: str, ids: ChipIds, key: str) -> None:
    assert identify_chip(text).match == "ambiguous"
    found = identify_chip(text, ids=ids)
    assert (found.match, found.chip.key, found.conflict) == ("exact", key, None)


def test_numbers_in_the_text_decide_too() -> None:
    text = "Advanced Micro Devices, Inc. [AMD/ATI] Navi 21 [Radeon RX 6800/6800 XT / 6900 XT]"
    assert identify_chip(text).match == "ambiguous"
    found = identify_chip(f"{text} [1002:73bf] (rev c1)")
    assert found.chip.key == "amd-radeon-rx-6800-xt"


@pytest.mark.parametrize(
    ("text", "form", "key"),
    [
        ("NVIDIA GeForce RTX 2070", "laptop", "nvidia-geforce-rtx-2070-laptop"),
        ("NVIDIA GeForce RTX 2070", "desktop", "nvidia-geforce-rtx-2070"),
        ("GeForce GTX 1060", "laptop", "nvidia-geforce-gtx-1060-laptop"),
        ("NVIDIA GeForce RTX 2080 Super", "desktop", "nvidia-geforce-rtx-2080-super"),
    ],
)
def test_the_form_of_the_machine_decides_a_shared_name(text: str, form, key: str) -> None:
    found = identify_chip(text, form=form)
    assert (found.match, found.code, found.chip.key) == ("exact", "decided_by_form", key)


def test_a_form_that_fits_two_candidates_decides_nothing() -> None:
    assert identify_chip("GeForce GTX 1060", form="desktop").match == "ambiguous"
    assert identify_chip("NVIDIA GeForce RTX 2070", form="mini").match == "ambiguous"


def test_upper_case_super_is_the_desktop_part() -> None:
    assert identify_chip("NVIDIA GeForce RTX 2080 SUPER").match == "exact"
    assert identify_chip("NVIDIA GeForce RTX 2080 Super").match == "ambiguous"
    assert identify_chip("NVIDIA GEFORCE RTX 2080 SUPER").match == "ambiguous"


@pytest.mark.parametrize(
    ("text", "ids"),
    [
        ("Intel(R) Core(TM) i7-8750H", ChipIds(family=25, model=80)),
        ("AMD Ryzen 7 5800H", ChipIds(family=6, model=165)),
        ("NVIDIA GeForce RTX 3070", ChipIds(pci_id="1002:73bf")),
        ("Intel(R) UHD Graphics 620", ChipIds(pci_id="10de:2520")),
        ("AMD Radeon RX 6800", ChipIds(pci_id="1002:73bf", pci_revision="c1")),
        ("NVIDIA GeForce GTX 1660 SUPER", ChipIds(pci_id="10de:2182")),
    ],
)
def test_a_contradiction_between_name_and_numbers_is_reported(text: str, ids: ChipIds) -> None:
    found = identify_chip(text, ids=ids)
    assert found.match == "exact"
    assert found.conflict is not None
    assert found.conflict.endswith(".")


@pytest.mark.parametrize(
    ("text", "ids"),
    [
        ("Intel(R) Core(TM) i7-8750H", ChipIds(family=6, model=158, stepping=10)),
        ("NVIDIA GeForce RTX 3070", ChipIds(pci_id="10de:2484")),
        ("GeForce GTX 1060 with Max-Q Design", ChipIds(pci_id="10de:1c20")),
        ("AMD Ryzen 7 5800H", ChipIds(family=99)),
    ],
)
def test_agreeing_or_unknown_numbers_are_no_contradiction(text: str, ids: ChipIds) -> None:
    assert identify_chip(text, ids=ids).conflict is None


def test_a_name_of_the_other_kind_is_reported() -> None:
    assert identify_chip("Intel Core i7-8750H", kind="gpu").conflict is not None
    assert identify_chip("Apple M1", kind="gpu").conflict is None
    assert identify_chip("R7 260", kind="cpu").chip.key == "amd-ryzen-7-260"


def test_every_chip_of_the_table_is_a_canonical_key() -> None:
    from kbapi.chips import naming

    for pci_id, key in naming._PCI_CHIPS.items():
        vendor_and_device, _, revision = pci_id.partition("/")
        assert find_key(ChipIds(pci_id=vendor_and_device, pci_revision=revision)) == key
        assert identify_chip(key).chip.key == key
