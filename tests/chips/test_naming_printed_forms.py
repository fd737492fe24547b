"""Each form in which systems print a name, by kind, with what it must become."""

import pytest

from kbapi.chips.naming import identify_chip

FORMS = {
    "behind the name in a kernel's log": {
        "smpboot: CPU0: Intel(R) Pentium(R) Gold G5400 CPU @ 3.70GHz (family: 0x6, model: 0x9e, "
        "stepping: 0xa)": "intel-pentium-gold-g5400",
        "[    0.089999] smpboot: CPU0: Intel(R) Core(TM) i5 CPU       M 560  @ 2.67GHz "
        "(family: 0x6, model: 0x25, stepping: 0x5)": "intel-core-i5-560m",
        "Feb 21 22:06:38 sable kernel: smpboot: CPU0: Intel(R) Xeon(R) Gold 6338N CPU @ 2.20GHz "
        "(family: 0x6, model: 0x6a, stepping: 0x6)": "intel-xeon-gold-6338n",
        "smpboot: CPU0: Intel(R) Pentium(R) Dual  CPU  E2160  @ 1.80GHz (fam: 06, model: 0f, "
        "stepping: 0d)": "intel-pentium-e2160",
        "AMD Ryzen 7 5800X 8-Core Processor (family: 0x19, model: 0x21, stepping: 0x0)":
            "amd-ryzen-7-5800x",
        "AMD Ryzen Embedded V1605B (family: 0x17, model: 0x11)": "amd-ryzen-embedded-v1605b",
        "CPU0: Intel(R) Core(TM)2 Duo CPU     T7300  @ 2.00GHz stepping 0a":
            "intel-core-2-duo-t7300",
        "CPU0: Intel(R) Core(TM)2 Duo CPU     E6750  @ 2.66GHz stepping 06":
            "intel-core-2-duo-e6750",
        "CPU: Intel(R) Core(TM) i7-8550U CPU @ 1.80GHz (1992.06-MHz K8-class CPU)":
            "intel-core-i7-8550u",
        "cpu0: Intel(R) Core(TM) i5-8250U CPU @ 1.60GHz, 1795.78 MHz, 06-8e-0a":
            "intel-core-i5-8250u",
        "cpu0: Intel(R) Core(TM) i7-4790K CPU @ 4.00GHz, id 0x306c3": "intel-core-i7-4790k",
    },
    "notes behind an at sign": {
        "Intel Core i7-8700K @ stock": "intel-core-i7-8700k",
        "Intel Core i7-8700K @ 4.7 GHz all core": "intel-core-i7-8700k",
        "Intel Core i7-8700K @ 5.0GHz 1.35V": "intel-core-i7-8700k",
        "AMD Ryzen 5 5600X @ 4.65 GHz, PBO": "amd-ryzen-5-5600x",
        "AMD Ryzen 9 3900X @ 12x 3.8GHz": "amd-ryzen-9-3900x",
        "Intel i7-8550U (8) @ 4.000GHz [55.0°C]": "intel-core-i7-8550u",
        "NVIDIA GeForce RTX 3070 @ 1900 MHz / 0.9 V": "nvidia-geforce-rtx-3070",
        "NVIDIA GeForce RTX 3070 @ PCIe x16": "nvidia-geforce-rtx-3070",
        "AMD Radeon RX 580 Series @ PCI:1:0:0": "amd-radeon-rx-580",
        "AMD ATI Radeon RX 6700 XT @ 0a:00.0": "amd-radeon-rx-6700-xt",
        "Athlon(tm) II X2 250 Processor @ Socket AM3 (938)": "amd-athlon-ii-x2-250",
        "Intel Core i7 @ 8700K": None,
        "RX 580 @ 2048SP": None,
        "Intel Core i7-8700K @ RTX 3070": None,
    },
    "names between brackets": {
        "NVIDIA Corporation GM107GLM \\[Quadro M1200 Mobile\\] (rev a2)":
            "nvidia-quadro-m1200-laptop",
        "GA104 [GeForce RTX 3070]": "nvidia-geforce-rtx-3070",
        "[10de:2484] GA104 [GeForce RTX 3070]": "nvidia-geforce-rtx-3070",
        "ID_MODEL_FROM_DATABASE=GA104 [GeForce RTX 3070]": "nvidia-geforce-rtx-3070",
        '01:00.0 "VGA compatible controller" "NVIDIA Corporation" "GA104 [GeForce RTX 3070]" -ra1 '
        '"Norvane Boards" "Device 87b8"': "nvidia-geforce-rtx-3070",
        "NVIDIA Corporation GF110 [GeForce GTX 560 Ti 448 Cores]":
            "nvidia-geforce-gtx-560-ti-448",
        "NVIDIA Corporation GK208 [GeForce GT 630 Rev. 2]": "nvidia-geforce-gt-630-rev-2",
        "NVIDIA Corporation GF108 [GeForce GT 630]": "nvidia-geforce-gt-630",
        "NVIDIA Corporation GK104M [GeForce GTX 780M Mac Edition]": "nvidia-geforce-gtx-780m",
        "NVIDIA Corporation G98M [GeForce G 103M]": "nvidia-geforce-g103m",
        "Ellesmere [Radeon Pro WX 7100 Mobile]": "amd-radeon-pro-wx-7100-laptop",
        "Pitcairn XT [Radeon HD 7870 GHz Edition]": "amd-radeon-hd-7870-ghz-edition",
        "Qualcomm NVIDIA Corporation TU116 [GeForce GTX 1650 SUPER]": None,
        "NVIDIA GeForce RTX 3070, NVIDIA Corporation AD103 [GeForce RTX 4080]": None,
    },
    "translated names of a line": {
        "Modellname: Intel(R) Core(TM) i3 CPU       U 380  @ 1.33GHz": "intel-core-i3-380um",
        "Nom de modèle : Intel(R) Core(TM) i7-8550U CPU @ 1.80GHz": "intel-core-i7-8550u",
        "Nombre del modelo: AMD Ryzen 7 5800H with Radeon Graphics": "amd-ryzen-7-5800h",
        "Имя модели: AMD Ryzen 7 5800H with Radeon Graphics": "amd-ryzen-7-5800h",
        "型号名称： AMD Ryzen 7 5800H with Radeon Graphics": "amd-ryzen-7-5800h",
        "モデル名: Intel(R) Core(TM) i7-8700 CPU @ 3.20GHz": "intel-core-i7-8700",
        "Modem ismi: Intel(R) Core(TM) i7-8700 CPU @ 3.20GHz": "intel-core-i7-8700",
        "Prozessor: Intel(R) Core(TM) i7-8700 CPU @ 3.20GHz": "intel-core-i7-8700",
        "Processeur : Intel(R) Core(TM) i7-8700 CPU @ 3.20GHz": "intel-core-i7-8700",
        "Grafikkarte: NVIDIA GeForce RTX 3070": "nvidia-geforce-rtx-3070",
        "Ersatz für: Ryzen 5 5600, Core i5-12400": None,
    },
    "a maker and a name joined by a comma": {
        "Intel(R) Core(TM) i7-8550U CPU @ 1.80GHz, GenuineIntel": "intel-core-i7-8550u",
        "Advanced Micro Devices, Inc., AMD Ryzen 7 5800X 8-Core Processor": "amd-ryzen-7-5800x",
        "X.Org, AMD Radeon RX 580 Series (polaris10, LLVM 12.0.0)": "amd-radeon-rx-580",
        "Google Inc. (NVIDIA), ANGLE (NVIDIA, NVIDIA GeForce RTX 3070 Direct3D11 vs_5_0 ps_5_0, "
        "D3D11)": "nvidia-geforce-rtx-3070",
        "Google Inc. (NVIDIA Corporation) -- ANGLE (NVIDIA Corporation, NVIDIA GeForce GTX 1660 "
        "SUPER/PCIe/SSE2, OpenGL 4.5.0)": "nvidia-geforce-gtx-1660-super",
        "Intel(R) Core(TM) i7-8700 CPU @ 3.20GHz, 3192 Mhz, 6 Core(s), 12 Logical Processor(s)":
            "intel-core-i7-8700",
        "AMD, Intel Core i7-8700K": None,
        "Intel AMD Radeon 760M Graphics": None,
    },
    "rare lines": {
        "VIA Nano processor U2250 (1.6GHz Capable)": "via-nano-u2250",
        "VIA C4650@2.0GHz": "via-c4650",
        "Qualcomm(R) Adreno(TM) 8cx Gen 3": "qualcomm-adreno-8cx-gen-3",
        "Snapdragon (TM) 7c @ 2.40 GHz": "qualcomm-snapdragon-7c",
        "Intel(R) Iris(R) Xe MAX 100 Graphics": "intel-iris-xe-max-100-graphics",
        "AMD Athlon(tm) Neo X2 Dual Core Processor L325": "amd-athlon-neo-x2-l325",
        "AMD Ryzen Embedded V2A46": "amd-ryzen-embedded-v2a46",
        "Intel(R) Xeon(R) D-2752TER CPU @ 1.80GHz": "intel-xeon-d-2752ter",
        "GeForce 9800 GX2": "nvidia-geforce-9800-gx2",
        "Intel(R) UHD Graphics 64EUs": None,
    },
    "sizes and types of memory": {
        "GeForce GT 1030 (2GB DDR4)": "nvidia-geforce-gt-1030-ddr4",
        "GeForce RTX 3050 4GB": "nvidia-geforce-rtx-3050-4gb",
        "GeForce RTX 3050 8GB": "nvidia-geforce-rtx-3050",
        "GeForce RTX 4080 16GB": "nvidia-geforce-rtx-4080",
        "GeForce RTX 4080 12GB": None,
        "GeForce GTX 1080 Ti 10GB": None,
        "GeForce RTX 3070M": None,
    },
    "placeholders": dict.fromkeys((
        "Intel(R) Core(TM) i7-0000", "AMD Ryzen 5 1111", "NVIDIA GeForce RTX 0000", "Intel N00",
        "NVIDIA A1", "Intel Xeon 1234", "FX-9999", "Apple M0", "CPU1", "Not Installed", "XXXX",
        "Intel CPU", "NVIDIA GPU", "your CPU", "1234567890", "TBD", "dummy cpu", "N/A", "----",
    )),
}  # fmt: skip


@pytest.mark.parametrize(
    ("text", "key"),
    [(text, key) for texts in FORMS.values() for text, key in texts.items()],
)
def test_a_printed_form_is_read_by_its_kind(text: str, key: str | None) -> None:
    found = identify_chip(text)
    assert (found.chip.key if found.chip else None) == key
