import pytest

from kbapi.telemetry.log_file import LogFile, UnreadableLog
from tests.telemetry.logs import HEADER, a_log, means_of, read


@pytest.mark.parametrize(
    ("encoding", "names"),
    [
        ("cp1250", "Czas;Moc procesora [W];Średnia częstotliwość [MHz];Temperatura procesora [°C]"),
        ("cp1251", "Время;Мощность процессора [W];Средняя частота [MHz];Температура [°C]"),
        ("cp1252", "Zeit;Leistung CPU [W];Mittlerer Takt [MHz];Temperatur in Hülle [°C]"),
        ("cp932", "時刻;プロセッサ電力 [W];平均クロック [MHz];プロセッサ温度 [℃]"),
        ("gb18030", "时间;处理器功率 [W];平均频率 [MHz];处理器温度 [℃]"),
        ("utf-16-be", "Time;Power [W];Average clock [MHz];Temperature [°C]"),
        ("utf-16", "Time;Power [W];Average clock [MHz];Temperature [°C]"),
        ("utf-8-sig", "Time;Power [W];Average clock [MHz];Temperature [°C]"),
    ],
)
def test_the_encoding_is_found(tmp_path, encoding, names):
    rows = "".join(f"{place};45,2;3600;71,5\r\n" for place in range(200))
    path = tmp_path / "log.csv"
    path.write_bytes(f"{names}\r\n{rows}".encode(encoding))
    file = LogFile(path)
    assert ";".join(file.layout.header) == names
    assert file.layout.decimal == ","
    found = {"power_w": 45.2, "clock_mhz": 3600.0, "temp_c": 71.5}
    assert means_of(read(path)) == found


def test_a_character_that_the_sample_cuts_is_no_other_encoding(tmp_path):
    for more in range(4):
        log = a_log(tmp_path, usual=("45 µW", "3600 MHz", "71 °C"), rows=20_000)
        log.write_bytes(b"#" * more + log.read_bytes())
        assert LogFile(log).layout.encoding == "utf-8"


def test_decimal_commas_without_quotes_are_refused_with_what_to_do(tmp_path):
    log = a_log(tmp_path, usual=("45,2", "3600,5", "71,5"))
    with pytest.raises(UnreadableLog) as refused:
        read(log)
    assert "decimal comma" in refused.value.detail
    assert "semicolons" in refused.value.detail


def test_decimal_commas_in_one_column_are_refused_too(tmp_path):
    with pytest.raises(UnreadableLog):
        read(a_log(tmp_path, usual=("45,2", "3600", "71")))


@pytest.mark.parametrize("content", [b"", b"\0" * 5_000, b"\r\n\r\n", b"no table\n", b"a,b\nc,d\n"])
def test_a_file_without_a_table_is_refused(tmp_path, content):
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(UnreadableLog):
        LogFile(path)


def test_lines_before_the_header_are_skipped(tmp_path):
    log = a_log(tmp_path, delimiter=";")
    log.write_text("Machine; harbour-15\nBegun: 2026-11-29\n\n" + log.read_text())
    assert LogFile(log).layout.header == HEADER
    assert read(log).log.rows == 200


def test_units_in_a_line_below_the_header_are_read(tmp_path):
    log = a_log(tmp_path, ("Time", "CPU power", "CPU clock", "CPU temp"), usual=(45000, 3.6, 160))
    text = log.read_text().replace("temp\n", "temp\ns,mW,GHz,°F\n")
    log.write_text(text)
    found = {"power_w": 45.0, "clock_mhz": 3600.0, "temp_c": pytest.approx(71.11, abs=0.01)}
    assert means_of(read(log)) == found


def test_columns_that_change_in_the_midst_are_found_by_name(tmp_path):
    log = a_log(tmp_path)
    order = [HEADER[0], "SSD temperature [°C]", HEADER[3], HEADER[2], HEADER[1]]
    more = "\n".join(f"{place},38,71,3600,45" for place in range(200, 400))
    log.write_text(log.read_text() + ",".join(order) + "\n" + more + "\n")
    reading = read(log)
    assert means_of(reading) == {"power_w": 45.0, "clock_mhz": 3600.0, "temp_c": 71.0}
    assert reading.log.rows == 400
    assert any("columns change at line 202" in note for note in reading.log.notes)


def test_a_last_line_without_an_end_is_left_out(tmp_path):
    log = a_log(tmp_path)
    log.write_bytes(log.read_bytes()[:-3])  # 71.0 is 7
    reading = read(log)
    assert reading.log.dropped == {"the last line has no end": 1}
    assert reading.summaries["temp_c"].mean == 71.0


def test_zero_bytes_of_a_crash_at_the_end_are_left_out(tmp_path):
    log = a_log(tmp_path)
    log.write_bytes(log.read_bytes() + b"\0" * 4_096)
    assert read(log).log.rows == 200


def test_every_line_that_is_left_out_is_counted_with_its_reason(tmp_path):
    log = a_log(tmp_path)
    log.write_text(f"{log.read_text()}{','.join(HEADER)}\n\nAverage,45,3600,71\n1,2\n")
    reading = read(log)
    assert reading.log.dropped == {
        "repeats the column names": 1,
        "empty": 1,
        "has no time": 1,
        "has 2 of 4 columns": 1,
    }
    assert (204, "has no time") in reading.log.dropped_lines


def test_the_second_column_of_a_name_can_be_named(tmp_path):
    log = a_log(tmp_path, (*HEADER[:2], "Sensor", "Sensor"), usual=(45.0, 60.0, 71.0))
    assert LogFile(log).layout.header[2:] == ("Sensor", "Sensor #2")
    assert means_of(read(log, temp_c="Sensor #2:°C"))["temp_c"] == 71.0
