"""A whole record is read as what it is: the lines that name chips count, the others do not."""

import pytest

from kbapi.chips.grammar.cleaning import names_in
from kbapi.chips.naming import identify_chip

FLAGS = "fpu vme de pse tsc msr pae mce cx8 apic sep mtrr pge mca cmov pat pse36 clflush dts " * 12
ONE_PROCESSOR = """vendor_id\t: GenuineIntel
cpu family\t: 6
model\t\t: 142
model name\t: Intel(R) Core(TM) i7-8550U CPU @ 1.80GHz
stepping\t: 10
cpu MHz\t\t: {clock}
flags\t\t: {flags}
bugs\t\t: cpu_meltdown spectre_v1 spectre_v2
address sizes\t: 39 bits physical, 48 bits virtual
power management:

"""
RECORDS = {
    "".join(
        f"processor\t: {number}\n" + ONE_PROCESSOR.format(clock=800 + number, flags=FLAGS)
        for number in range(6)
    ): "intel-core-i7-8550u",
    "Architecture:            x86_64\n  CPU op-mode(s):        32-bit, 64-bit\n"
    "Vendor ID:               AuthenticAMD\n  BIOS Vendor ID:        Advanced Micro Devices, Inc.\n"
    "  Model name:            AMD Ryzen 7 5800X 8-Core Processor\n"
    "    BIOS Model name:     AMD Ryzen 7 5800X 8-Core Processor             Unknown CPU @ 3.8GHz\n"
    "    CPU family:          25\n    Model:               33\nVirtualization:          AMD-V\n":
        "amd-ryzen-7-5800x",
    "Architektur:                  x86_64\nProzessorfamilie:             6\n"
    "Modellname:                   Intel(R) Core(TM) i7-8550U CPU @ 1.80GHz\n":
        "intel-core-i7-8550u",
    "Architecture :              x86_64\nFamille de processeur\u00a0:   6\n"
    "Nom de modèle\u00a0:             Intel(R) Core(TM) i7-8550U CPU @ 1.80GHz\n":
        "intel-core-i7-8550u",
    "Архитектура:  x86_64\nИмя модели:  AMD Ryzen 7 5800H with Radeon Graphics\n":
        "amd-ryzen-7-5800h",
    "\r\nHKEY_LOCAL_MACHINE\\HARDWARE\\DESCRIPTION\\System\\CentralProcessor\\0\r\n"
    "    ProcessorNameString    REG_SZ    12th Gen Intel(R) Core(TM) i9-12900H\r\n\r\n":
        "intel-core-i9-12900h",
    'Windows Registry Editor Version 5.00\n\n"ProcessorNameString"="Intel(R) Core(TM) i7-8700 CPU"':
        "intel-core-i7-8700",
    "name of display: :0\ndirect rendering: Yes\n    Vendor: AMD (0x1002)\n"
    "    Device: AMD Radeon RX 6700 XT (navi22, LLVM 15.0.7, DRM 3.49, 6.1.0) (0x73df)\n"
    "OpenGL vendor string: AMD\n"
    "OpenGL renderer string: AMD Radeon RX 6700 XT (navi22, LLVM 15.0.7, DRM 3.49, 6.1.0)\n":
        "amd-radeon-rx-6700-xt",
    "deviceType        = PHYSICAL_DEVICE_TYPE_DISCRETE_GPU\n"
    "deviceName        = NVIDIA GeForce RTX 3070\n": "nvidia-geforce-rtx-3070",
    "01:00.0 VGA compatible controller: NVIDIA Corporation GA104 [GeForce RTX 3070] (rev a1) "
    "(prog-if 00 [VGA controller])\n\tSubsystem: Norvane Boards Device 87b8\n"
    "\tKernel driver in use: nvidia\n": "nvidia-geforce-rtx-3070",
    "03:00.0 VGA compatible controller: ASPEED Technology, Inc. ASPEED Graphics Family (rev 41)\n"
    "01:00.0 VGA compatible controller: NVIDIA Corporation GA104 [GeForce RTX 3070] (rev a1)\n":
        "nvidia-geforce-rtx-3070",
    "[    0.1] Freeing SMP\n[    0.113771] smpboot: CPU0: Intel(R) Pentium(R) Gold G5400 CPU @ "
    "3.70GHz (family: 0x6, model: 0x9e, stepping: 0xa)\n": "intel-pentium-gold-g5400",
    "Processor Information\n\tSocket Designation: AM4\n"
    "\tVersion: AMD Ryzen 5 3600 6-Core Processor\n": "amd-ryzen-5-3600",
    "\nName : Intel(R) Core(TM) i7-8700 CPU @ 3.20GHz\nCaption : Intel64 Family 6 Model 158\n":
        "intel-core-i7-8700",
    "Name  \r\r\nIntel(R) Core(TM) i7-8700 CPU @ 3.20GHz  \r\r\n": "intel-core-i7-8700",
}  # fmt: skip


@pytest.mark.parametrize(("record", "key"), RECORDS.items(), ids=RECORDS.values())
def test_a_record_is_read_as_the_chip_that_it_names(record: str, key: str) -> None:
    found = identify_chip(record)
    assert (found.match, found.chip and found.chip.key) == ("exact", key)
    assert identify_chip("\n".join(names_in(record))) == found


def test_a_record_of_two_chips_is_never_guessed() -> None:
    found = identify_chip(
        "model name\t: Intel(R) Xeon(R) CPU E5-2680 v2 @ 2.80GHz\n"
        "model name\t: Intel(R) Xeon(R) CPU E5-2690 v2 @ 3.00GHz\n"
    )
    assert (found.match, found.code) == ("ambiguous", "several")
    assert found.candidates == ("intel-xeon-e5-2680-v2", "intel-xeon-e5-2690-v2")


@pytest.mark.parametrize(
    ("record", "code"),
    [
        ("processor\t: 0\nmodel name\t: QEMU Virtual CPU version 2.5+\n", "virtual_chip"),
        ("processor\t: 0\nBogoMIPS\t: 38.40\nCPU implementer\t: 0x41\n", "not_a_model"),
        ("model name\t: \nflags\t: fpu\n", "unknown_name"),
        ("one line\nand another\n", "unknown_name"),
    ],
)
def test_a_record_without_a_model_is_refused(record: str, code: str) -> None:
    found = identify_chip(record)
    assert (found.match, found.code) == ("none", code)


def test_the_name_of_the_machine_is_not_kept() -> None:
    line = "smpboot: CPU0: AMD Ryzen 5 3600 6-Core Processor (family: 0x17, model: 0x71)"
    assert names_in(f"Feb 21 22:06:38 desk-of-lena kernel: {line}") == (line,)
    assert names_in(f"x\nFeb 21 22:06:38 desk-of-lena kernel: {line}\n") == (line,)
