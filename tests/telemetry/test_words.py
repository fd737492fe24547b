import pytest

from kbapi.telemetry.words import unit_in, words_of


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Moc procesora", {"power", "chip"}),
        ("Średnia częstotliwość [MHz]", {"average", "clock"}),
        ("处理器温度", {"chip", "temp"}),
        ("プロセッサ電力", {"chip", "power"}),
        ("pkgPower", {"package", "power"}),
        ("Umgebungstemperatur", {"ambient", "temp"}),
        ("Empowered", set()),
    ],
)
def test_words_are_known_in_several_languages_and_only_whole(name, words):
    assert words_of(name) == words


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("Zone C", ""),
        ("Core F", ""),
        ("Temp F", "f"),
        ("temp_c", "c"),
        ("Power (µW)", "µw"),
        ("Core power [W] #2", "w"),
        ("Clock, GHz", "ghz"),
        ("Rail [1]", ""),
    ],
)
def test_a_letter_that_numbers_a_sensor_is_no_unit(name, unit):
    assert unit_in(name, "") == unit
