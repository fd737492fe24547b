import pytest

from kbapi.chips.naming import identify_chip

REFUSED = {
    "cut_name": ["Intel Core i7-...", "NVIDIA GeForce RTX 30…", "AMD Ryzen 7 58.."],
    "virtual_chip": [
        "QEMU Virtual CPU version 2.5+",
        "Common KVM processor",
        "Intel Xeon Processor (Skylake, IBRS)",
        "Westmere E56xx/L56xx/X56xx (Nehalem-C)",
        "Intel Core i7 9xx (Nehalem Class Core i7)",
        "AMD EPYC-Rome Processor",
        "Intel(R) Xeon(R) CPU @ 2.30GHz",
        "VirtualBox Graphics Adapter (WDDM)",
        "SVGA3D; build: RELEASE;  LLVM;",
        "virgl (NVIDIA GeForce RTX 3060)",
        "NVIDIA A40-48Q",
        "AMD Radeon Pro V520 MxGPU",
    ],
    "software_renderer": [
        "llvmpipe (LLVM 12.0.0, 256 bits)",
        "Google SwiftShader",
        "Microsoft Basic Render Driver",
        "ANGLE (Google, Vulkan 1.3.0 (SwiftShader Device (Subzero) (0x0000C0DE)), SwiftShader)",
    ],
    "engineering_sample": [
        "Genuine Intel(R) CPU 0000 @ 2.20GHz",
        "AMD Eng Sample: 100-000000123-45_Y",
        "AMD Engineering Sample",
        "Intel(R) CPU 0000%@",
    ],
    "placeholder": ["To Be Filled By O.E.M.", "Default string", "unknown", "0x306c3", "05/08"],
    "unnamed_device": ["NVIDIA Corporation Device 2684 (rev a1)"],
    "not_a_model": [
        "Intel64 Family 6 Model 85 Stepping 4, GenuineIntel",
        "x86_64",
        "aarch64",
        "ARMv7 Processor rev 4 (v7l)",
        "Cortex-A72",
    ],
    "other_architecture": ["Intel(R) Itanium(R) Processor 9140N"],
    "too_old": [
        "Intel(R) Pentium(R) 4 CPU 3.00GHz",
        "Intel(R) Pentium(R) M processor 1.73GHz",
        "Pentium III (Coppermine)",
        "AMD Athlon(tm) 64 X2 Dual Core Processor 5000+",
        "VIA C7-M Processor 1200MHz",
        "Intel 80486DX2",
        "486 DX4-100",
        "AMD Am5x86-WB",
        "model name: 486 DX/2",
        "Intel(R) Xeon(TM) CPU 3.20GHz",
    ],
    "management_graphics": ["ASPEED Technology, Inc. ASPEED Graphics Family", "Matrox G200eW3"],
    "unreadable": ["", "  ", "\u202eIntel Core i7-8700K", "🔥🔥", "Intel\x07 Core", "x" * 10**6],
    "unknown_name": [
        "'; DROP TABLE chips; --",
        "Intel Core i7-8700K'; DROP TABLE chips; --",
        "<script>alert(1)</script>",
        "<b>Intel Core i7-8700K</b>",
        "hello world",
        "AMD GeForce RTX 3070",
        "Intel Core i7-87500H",
        "Intel Core i5-1240",
        "Intel Core i7-0750H",
        "Intel(R) Core(TM) i7-19700K",
        "AMD Ryzen 5 0600",
        "Intel Xeon Gold 8280",
        "Intel Xeon E5-9680",
        "GeForce GTX 1065",
        "Intel Ryzen 7 5800X",
        "Intel(R) Core(TM) i15-15200",
        "Intel Core i7-8700K + NVIDIA GeForce RTX 3070",
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("code", "text"), [(code, text) for code, texts in REFUSED.items() for text in texts]
)
def test_a_text_without_a_model_is_refused_with_a_sentence(code: str, text: str) -> None:
    found = identify_chip(text)
    assert (found.match, found.chip) == ("none", None)
    assert found.code == code
    assert found.reason.endswith(".")
    assert not text.strip() or text not in found.reason


@pytest.mark.parametrize(
    "text",
    [
        "AMD Radeon Graphics",
        "AMD Radeon(TM) R5 Graphics",
        "Intel(R) UHD Graphics",
        "Intel(R) Arc(TM) Graphics",
        "AMD Radeon HD 7900 Series",
        "Advanced Micro Devices, Inc. [AMD/ATI] Renoir (rev c4)",
        "Intel Corporation Haswell-ULT Integrated Graphics Controller (rev 0b)",
        "Mesa DRI Intel(R) Haswell Mobile",
        "Unknown NVIDIA GPU",
    ],
)
def test_a_family_is_distinguished_from_a_chip(text: str) -> None:
    found = identify_chip(text)
    assert (found.match, found.code) == ("ambiguous", "family_name")


@pytest.mark.parametrize(
    ("text", "candidates"),
    [
        ("7700", ("intel-core-i7-7700", "amd-ryzen-7-7700")),
        ("4500u", ("intel-core-i7-4500u", "amd-ryzen-5-4500u")),
        ("2600", ("intel-core-i7-2600", "amd-ryzen-5-2600")),
        ("358h", ("intel-core-ultra-7-358h", "intel-core-ultra-x7-358h")),
        ("AMD Radeon (TM) R9 390 Series", ("amd-radeon-r9-390", "amd-radeon-r9-390x")),
        ("2070s", ("nvidia-geforce-rtx-2070-super", "nvidia-geforce-rtx-2070-super-laptop")),
        ("3060", ("nvidia-geforce-rtx-3060",)),
        ("780m", ("nvidia-geforce-gtx-780m", "amd-radeon-780m")),
        ("R7 260", ("amd-radeon-r7-260", "amd-ryzen-7-260")),
        ("hd 4600", ("amd-radeon-hd-4600", "intel-hd-graphics-4600")),
        ("GeForce GTX 1060", ("nvidia-geforce-gtx-1060-3gb", "nvidia-geforce-gtx-1060-6gb")),
        ("NVIDIA GeForce RTX 980, or similar", ()),
        ("i5-12600K ES", ("intel-core-i5-12600k",)),
        ("NVIDIA Corporation TU102GL [Quadro RTX 6000/8000]", ("nvidia-quadro-rtx-8000",)),
        ("Navi 22 [Radeon RX 6700/6700 XT/6750 XT / 6800M]", ("amd-radeon-rx-6750-xt",)),
    ],
)
def test_a_text_that_can_mean_several_chips_has_candidates(
    text: str, candidates: tuple[str, ...]
) -> None:
    found = identify_chip(text)
    assert found.match == "ambiguous"
    assert set(candidates) <= set(found.candidates)


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("Nvidia GeFroce RTX 3070", "nvidia-geforce-rtx-3070"),
        ("Intel Cor i7-8700K", "intel-core-i7-8700k"),
        ("i7-87500H", "intel-core-i7-8750h"),
        ("Intel(R) Core(TM) i7-8750HH", "intel-core-i7-8750h"),
        ("AMD Ryzn 5 3600", "amd-ryzen-5-3600"),
        ("Norvane Sabel 7 4820MX", "norvane-sable-7-4820mx"),
    ],
)
def test_a_typing_error_is_suggested_and_never_matched(text: str, meant: str) -> None:
    found = identify_chip(text)
    assert (found.match, found.code) == ("none", "unknown_name")
    assert found.candidates[0] == meant
