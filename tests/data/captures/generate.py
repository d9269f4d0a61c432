#!/usr/bin/env python3
"""Writes the captures of this folder and expected.json.

Run it here: python3 generate.py. Nothing but Python's standard library is used, and nothing of the
program under test: every expected figure is computed from the numbers that are written, after rounding
them as they are written. The scene is a load-cell amplifier on a workshop bench.
"""
import json
import math
import struct
from decimal import Decimal
from pathlib import Path

HERE = Path(__file__).parent
N = 64
EXPECTED = []


def wave(n=N, rate=1000.0, offset=0.12, hum=0.05, phase=0.3, seed=1):
    """Offset, 50 Hz with a third harmonic, and noise from a linear congruential generator."""
    values, state = [], seed
    for i in range(n):
        state = (state * 6364136223846793005 + 1442695040888963407) % 2**64
        noise = (state >> 33) / 2**31 - 0.5
        t = i / rate
        values.append(
            offset
            + hum * math.sin(2 * math.pi * 50 * t + phase)
            + 0.2 * hum * math.sin(2 * math.pi * 150 * t)
            + 0.004 * noise
        )
    return values


A = wave()
B = wave(offset=-0.4, hum=0.02, phase=1.1, seed=2)


# Samples of all channels, each row once; a channel names its row.
SERIES = {}


def channel(name, values, unit="V"):
    key = tuple("inf" if v == math.inf else "-inf" if v == -math.inf else v for v in values)
    return {"name": name, "unit": unit, "series": SERIES.setdefault(key, len(SERIES))}


def expect(rate, channels, samples=N, start=None, **more):
    return {"rate": rate, "samples": samples, "start_s": start, "channels": channels, **more}


def save(name, content, *captures, options=None, warnings=(), encoding="utf-8"):
    """One file and what is to be read from it."""
    data = content if isinstance(content, bytes) else content.encode(encoding)
    (HERE / name).write_bytes(data)
    EXPECTED.append(
        {"file": name, "options": options or {}, "warnings": sorted(warnings), "captures": list(captures)}
    )


def f(value, digits=6):
    return f"{value:.{digits}f}"


def r(values, digits=6):
    """The values as they are written with so many decimals."""
    return [float(f(v, digits)) for v in values]


def comma(text):
    return text.replace(".", ",")


def rows(columns, delimiter=",", end="\n", tail=""):
    return "".join(delimiter.join(cells) + tail + end for cells in zip(*columns))


def times(n=N, step=0.001, digits=3, start=0.0, factor=1.0):
    return [f"{(start + i * step) * factor:.{digits}f}" for i in range(n)]


T = times()
VA, VB = [f(v) for v in A], [f(v) for v in B]
RA, RB = r(A), r(B)
two = lambda a="CH1", b="CH2": [channel(a, RA), channel(b, RB)]

# Plain tables -----------------------------------------------------------------------------------
save("plain_comma.csv", "time,volts\n" + rows([T, VA]), expect(1000, [channel("volts", RA)], start=0))
save("crlf.csv", "time,volts\r\n" + rows([T, VA], end="\r\n"), expect(1000, [channel("volts", RA)]))
save("cr_only.csv", "time,volts\r" + rows([T, VA], end="\r"), expect(1000, [channel("volts", RA)]))
save("no_final_line_end.csv", ("time,volts\n" + rows([T, VA])).rstrip("\n"), expect(1000, [channel("volts", RA)]))
save("utf8_bom.csv", "\ufefftime,volts\n" + rows([T, VA]), expect(1000, [channel("volts", RA)]))
save("utf16_le_bom.csv", b"\xff\xfe" + ("Time (s),Level (\u00b5V)\r\n" + rows([T, VA], end="\r\n")).encode("utf-16-le"),
     expect(1000, [channel("Level", [v * 1e-6 for v in RA])]))
save("utf16_be_bom.csv", b"\xfe\xff" + ("time;volts\n" + rows([T, VA], ";")).encode("utf-16-be"), expect(1000, [channel("volts", RA)]))
save("utf16_le_no_bom.txt", ("time\tvolts\r\n" + rows([T, VA], "\t", "\r\n")).encode("utf-16-le"), expect(1000, [channel("volts", RA)]))
save("latin1_micro.csv", "Zeit [\u00b5s];Br\u00fccke [\u00b5V]\r\n" + rows([times(factor=1e6, digits=0), VA], ";", "\r\n"),
     expect(1000, [channel("Br\u00fccke", [v * 1e-6 for v in RA])]), encoding="latin-1")
save("semicolon_decimal_comma.csv", "Zeit;Spannung\n" + rows([map(comma, T), map(comma, VA)], ";"), expect(1000, [channel("Spannung", RA)]))
save("tab_decimal_comma.txt", "t [s]\tU [V]\n" + rows([map(comma, T), map(comma, VA)], "\t"), expect(1000, [channel("U", RA)]))
save("tab.tsv", "t (s)\tCH1 (V)\tCH2 (V)\n" + rows([T, VA, VB], "\t"), expect(1000, two()))
save("pipe.txt", "| time | CH1 |\n" + "".join(f"| {t} | {v} |\n" for t, v in zip(T, VA)), expect(1000, [channel("CH1", RA)]))
save("blanks.txt", "time volts\n" + rows([T, VA], " "), expect(1000, [channel("volts", RA)]))
save("blanks_decimal_comma.txt", rows([map(comma, T), map(comma, VA)], "  "), expect(1000, [channel("1", RA)]))
save("fixed_width.txt", "  Time (s)    CH1 (V)    CH2 (V)\n" + "".join(f"{t:>10} {a:>10} {b:>10}\n" for t, a, b in zip(T, VA, VB)), expect(1000, two()))
save("padded_comma.csv", "time , volts\n" + "".join(f" {t} ,  {v} \n" for t, v in zip(T, VA)), expect(1000, [channel("volts", RA)]))
save("all_quoted.csv", '"Time","CH1"\n' + "".join(f'"{t}","{v}"\n' for t, v in zip(T, VA)), expect(1000, [channel("CH1", RA)]))
save("quoted_decimal_comma.csv", '"Time","CH1"\n' + "".join(f'"{comma(t)}","{comma(v)}"\n' for t, v in zip(T, VA)), expect(1000, [channel("CH1", RA)]))
save("quoted_header_only.csv", '"Time (s)","Bridge, left (V)"\n' + rows([T, VA]), expect(1000, [channel("Bridge, left", RA)]))
save("trailing_delimiter.csv", "Time,CH1,CH2,\n" + rows([T, VA, VB], tail=","), expect(1000, two()))
save("trailing_blank_lines.csv", "time,volts\n" + rows([T, VA]) + "\n\n\n", expect(1000, [channel("volts", RA)]))
save("trailing_empty_rows.csv", "time,volts\n" + rows([T, VA]) + ",\n,\n", expect(1000, [channel("volts", RA)]))
save("trailing_summary.csv", "time,volts\n" + rows([T, VA]) + "\nMean,0.12\nMaximum,0.19\nEnd of record\n", expect(1000, [channel("volts", RA)]))
save("sep_line.csv", "sep=;\nTime (s);CH1 (V)\n" + rows([T, VA], ";"), expect(1000, [channel("CH1", RA)]))
save("apostrophes.csv", "time,volts\n" + "".join(f"'{t},'{v}\n" for t, v in zip(T, VA)), expect(1000, [channel("volts", RA)]))
save("leading_plus.csv", "time,volts\n" + "".join(f"+{t},{x:+.6f}\n" for t, x in zip(T, A)), expect(1000, [channel("volts", RA)]))
save("unicode_minus.csv", "time,CH2\n" + rows([T, [v.replace("-", "\u2212") for v in VB]]), expect(1000, [channel("CH2", RB)]))
SCI = [f"{v:.5e}" for v in A]
RSCI = [float(v) for v in SCI]
save("scientific.csv", "time,volts\n" + rows([[f"{i*0.001:.3E}" for i in range(N)], [v.upper() for v in SCI]]), expect(1000, [channel("volts", RSCI)]))
save("scientific_d_exponent.txt", "time volts\n" + rows([T, [v.replace("e", "D") for v in SCI]], "  "), expect(1000, [channel("volts", RSCI)]))
save("scientific_decimal_comma.csv", "time;volts\n" + rows([map(comma, T), [comma(v.upper()) for v in SCI]], ";"), expect(1000, [channel("volts", RSCI)]))

# Headers ----------------------------------------------------------------------------------------
save("no_header_two_columns.csv", rows([T, VA]), expect(1000, [channel("1", RA)]))
save("no_header_three_columns.csv", rows([T, VA, VB]), expect(1000, [channel("1", RA), channel("2", RB)]))
save("one_column_rate_option.csv", "volts\n" + rows([VA]), expect(2000, [channel("volts", RA)]), options={"sample_rate_hz": 2000})
save("one_column_no_header.txt", rows([VA]), expect(2000, [channel("1", RA)]), options={"sample_rate_hz": 2000})
save("one_column_decimal_comma.txt", "U\n" + rows([map(comma, VA)]), expect(2000, [channel("U", RA)]), options={"sample_rate_hz": 2000})
save("two_signals_no_time.csv", "CH1,CH2\n" + rows([VA, VB]), expect(500, two()), options={"sample_rate_hz": 500})
MV = [f(v * 1000, 3) for v in A]
RMV = [float(v) * 1e-3 for v in MV]
save("units_round_brackets.csv", "Time (ms),Bridge (mV)\n" + rows([times(factor=1000, digits=0), MV]), expect(1000, [channel("Bridge", RMV)]))
save("units_square_brackets.csv", "Time [us],Bridge [mV]\n" + rows([times(factor=1e6, digits=0), MV]), expect(1000, [channel("Bridge", RMV)]))
save("units_slash.csv", "t/ms;U/mV\n" + rows([times(factor=1000, digits=0), MV], ";"), expect(1000, [channel("U", RMV)]))
save("units_comma.txt", "Time, ms\tBridge, mV\n" + rows([times(factor=1000, digits=0), MV], "\t"), expect(1000, [channel("Bridge", RMV)]))
save("units_own_row.csv", "Time,Bridge\nms,mV\n" + rows([times(factor=1000, digits=0), MV]), expect(1000, [channel("Bridge", RMV)]))
save("units_own_row_brackets.csv", "Time,Channel A,Channel B\n(s),(mV),(V)\n\n" + rows([T, MV, VB]), expect(1000, [channel("Channel A", RMV), channel("Channel B", RB)]))
save("units_words.csv", "Second,Volt\n" + rows([T, VA]), expect(1000, [channel("Volt", RA)]))
save("units_words_row.csv", "Source,CH1,CH2\nSecond,Volt,Volt\n" + rows([T, VA, VB]), expect(1000, two()))
save("units_nanoseconds.csv", "Time (ns),CH1 (V)\n" + rows([times(step=1e-6, factor=1e9, digits=0), VA]), expect(1e6, [channel("CH1", RA)]))
save("units_kilovolt.csv", "Time (s),Mains (kV)\n" + rows([T, VA]), expect(1000, [channel("Mains", [v * 1000 for v in RA])]))
save("units_current.csv", "Time (s),Shunt (mA)\n" + rows([T, VA]), expect(1000, [channel("Shunt", [v * 1e-3 for v in RA], "A")]))
save("units_unknown.csv", "Time (s),Force [kN]\n" + rows([T, VA]), expect(1000, [channel("Force", RA, "kN")]))
save("units_underscore.csv", "time_ms,bridge_mV\n" + rows([times(factor=1000, digits=0), MV]), expect(1000, [channel("bridge_mV", RMV)]))
save("units_in_cells.csv", "Time,Bridge\n" + rows([[t + " s" for t in T], [v + " mV" for v in MV]]), expect(1000, [channel("Bridge", RMV)]))
save("units_beside.csv", "Reading,Time,Value,Unit\n" + rows([[str(i + 1) for i in range(N)], T, MV, ["mVDC"] * N]), expect(1000, [channel("Value", RMV)]))
save("unit_option.csv", "time,bridge\n" + rows([T, MV]), expect(1000, [channel("bridge", RMV)]), options={"unit": "mV"})
save("scale_option.csv", "time,volts\n" + rows([T, VA]), expect(1000, [channel("volts", [v * -10 for v in RA])]), options={"scale": -10})
save("duplicate_names.csv", "time,CH,CH\n" + rows([T, VA, VB]), expect(1000, [channel("CH", RA), channel("CH (2)", RB)]))
save("empty_name.csv", "time,,CH2\n" + rows([T, VA, VB]), expect(1000, [channel("1", RA), channel("CH2", RB)]))
save("unicode_names.csv", "time,\u4fe1\u53f7 (V),\u0394U (mV)\n" + rows([T, VA, MV]), expect(1000, [channel("\u4fe1\u53f7", RA), channel("\u0394U", RMV)]))
save("numbered_names.csv", "Time,1,2\n" + rows([T, VA, VB]), expect(1000, [channel("1", RA), channel("2", RB)]))
save("commented_header.txt", "# load cell, rest\n# time volts\n" + rows([T, VA], " "), expect(1000, [channel("volts", RA)]))
save("header_then_blank_line.csv", "Time,CH1\n\n" + rows([T, VA]), expect(1000, [channel("CH1", RA)]))
save("header_then_ruler.txt", "Time (s)   CH1 (V)\n---------  ---------\n" + rows([T, VA], "   "), expect(1000, [channel("CH1", RA)]))
save("time_last.csv", "CH1,CH2,Time\n" + rows([VA, VB, T]), expect(1000, two()))
save("time_last_no_header.csv", rows([VA, VB, T]), expect(1000, [channel("1", RA), channel("2", RB)]))
save("empty_columns.csv", "Time,,CH1,,CH2\n" + "".join(f"{t},,{a},,{b}\n" for t, a, b in zip(T, VA, VB)), expect(1000, two()))
save("label_column.csv", "Name,Time,CH1\n" + rows([["bench"] * N, T, VA]), expect(1000, [channel("CH1", RA)]))

# Preambles --------------------------------------------------------------------------------------
save("preamble_key_comma_value.csv", "Model,Bench recorder\nSample Rate,2000\nRecord Length,64\nVertical Units,V\n\nCH1\n" + rows([VA]), expect(2000, [channel("CH1", RA)]))
save("preamble_colon.txt", "Title: load cell at rest\nSample rate: 2 kHz\nCoupling: AC\n\nvolts\n" + rows([VA]), expect(2000, [channel("volts", RA)], coupling="ac"))
save("preamble_equals.txt", "fs=2000\nrange=5 V\nprobe=10:1\nvolts\n" + rows([VA]), expect(2000, [channel("volts", RA)], full_scale_v=5, probe_factor=10))
save("preamble_comment.csv", "# Sampling frequency: 2.0 kS/s\n# Input range: \u00b1500 mV\n# Input coupling: DC\nCH1,CH2\n" + rows([VA, VB]), expect(2000, two(), full_scale_v=0.5, coupling="dc"))
save("preamble_quoted_unit_cell.csv", '"Record Length","64","Points"\n"Sample Interval","5.0E-04","s"\n"Trigger Point","16","Samples"\n"Vertical Units","mV",""\n"Values"\n' + rows([MV]),
     expect(2000, [channel("Values", RMV)], start=-16 / 2000))
save("preamble_interval_us.csv", "Sample interval;500;\u00b5s\nUnit;mV\nValue\n" + rows([map(comma, MV)]), expect(2000, [channel("Value", RMV)]))
save("preamble_unit_in_key.csv", "Sampling Rate [kHz],2\nUnit,V\nData\n" + rows([VA]), expect(2000, [channel("Data", RA)]))
save("preamble_msa.csv", "Sample Rate,1.25 MSa/s\nCH1\n" + rows([VA]), expect(1.25e6, [channel("CH1", RA)]))
save("preamble_beside_data.csv", "".join(
    f"{k},{t},{v}\n" for k, t, v in zip(
        ["Record Length,64,Points", "Sample Interval,0.001,s", "Trigger Point,10,Samples", "Probe Atten,10,", "Vertical Units,V,", "Horizontal Units,s,", "Firmware,1.2,"] + [",,"] * (N - 7),
        times(start=-0.010), VA)), expect(1000, [channel("1", RA)], start=-0.010, probe_factor=10))
save("preamble_per_channel.csv", "Source,CH1,CH2\nCoupling,DC,DC\nVertical Scale,0.05 V/div,0.1 V/div\nUnits,mV,V\nTime,CH1,CH2\n" + rows([T, MV, VB]),
     expect(1000, [channel("CH1", RMV), channel("CH2", RB)], coupling="dc"))
save("preamble_long.txt", "".join(f"Setting {i}: {i * 7 % 13}\n" for i in range(400)) + "Sample rate: 2000 Hz\nvolts\n" + rows([VA]), expect(2000, [channel("volts", RA)]))
save("preamble_words_and_number.dat.txt", "; Sample Rate 8000\n; Channels 2\n" + "".join(f"{i/8000:>16.9g} {a:>12} {b:>12}\n" for i, (a, b) in enumerate(zip(VA, VB))), expect(8000, [channel("1", RA), channel("2", RB)]))
save("preamble_loose_rate.txt", "[ASCII 8000Hz, Channels: 2, Samples: 64]\n" + rows([VA, VB], "\t"), expect(8000, [channel("1", RA), channel("2", RB)]))
save("preamble_two_statements_a_line.csv", "Rate: 2 kHz, Range: 10 V\nCH1;CH2\n" + rows([VA, VB], ";"), expect(2000, two(), full_scale_v=10))
save("preamble_start_time.csv", "Sample Interval (s),0.001\nStart Time (s),-0.02\nCH1\n" + rows([VA]), expect(1000, [channel("CH1", RA)], start=-0.02))
save("preamble_date_lines.csv", "Date,2025-03-14\nTime,10:15:30\nSample Rate,1000\nTime,CH1\n" + rows([T, VA]), expect(1000, [channel("CH1", RA)]))
save("preamble_thousands_rate.csv", 'Sample Rate,"10,000 Hz"\nCH1\n' + rows([VA]), expect(10000, [channel("CH1", RA)]))
save("index_and_interval.csv", "Sample Interval,0.0005\nIndex,CH1\n" + rows([[str(i) for i in range(N)], VA]), expect(2000, [channel("CH1", RA)]))
save("index_start_increment_in_header.csv", "X,CH1,Start,Increment\nSequence,Volt,-0.02,0.0005\n" + "".join(f"{i},{v},,\n" for i, v in enumerate(VA)), expect(2000, [channel("CH1", RA)], start=-0.02))
save("index_increment_statement_in_header.csv", "x-axis,1,t0 = -0.006,tInc = 0.0005\n" + "".join(f"{i},{v},,\n" for i, v in enumerate(VA)), expect(2000, [channel("1", RA)], start=-0.006))
save("index_and_time.csv", "No.,Time (s),CH1 (V)\n" + rows([[str(i + 1) for i in range(N)], T, VA]), expect(1000, [channel("CH1", RA)]))
save("index_from_one_rate_option.csv", "Sample,CH1\n" + rows([[str(i + 1) for i in range(N)], VA]), expect(1000, [channel("CH1", RA)]), options={"sample_rate_hz": 1000})
save("time_counts_with_rate.csv", "Sample rate,2000\nTime,CH1\n" + rows([[str(i) for i in range(N)], VA]), expect(2000, [channel("CH1", RA)]))
C12 = [round(v / 0.001) for v in A]
RC12 = [c * 0.001 for c in C12]
save("counts_scale.csv", "Sample Rate,1000\nVertical Scale,0.001\nCounts\n" + rows([map(str, C12)]), expect(1000, [channel("Counts", RC12)]))
save("counts_scale_offset.csv", "Sample Rate,1000\nGain,0.001\nOffset,-0.5\nADC [counts]\n" + rows([[str(c + 500) for c in C12]]), expect(1000, [channel("ADC", RC12)]))
save("counts_reference_increment_origin.csv", "XINCREMENT,0.001\nXORIGIN,-0.01\nYINCREMENT,0.001\nYREFERENCE,128\nYORIGIN,0.25\ncounts\n" + rows([[str(c + 128 - 250) for c in C12]]), expect(1000, [channel("counts", RC12)], start=-0.01))
save("counts_mult_off_zero.csv", "XINCR,0.001\nYMULT,0.001\nYOFF,2048\nYZERO,0\nraw\n" + rows([[str(c + 2048) for c in C12]]), expect(1000, [channel("raw", RC12)]))
save("counts_volts_per_count.txt", "Sample rate: 1000 Hz\nScale: 1.0 mV/count\nZero count: 2048\nADC\n" + rows([[str(c + 2048) for c in C12]]), expect(1000, [channel("ADC", RC12)]))
save("counts_per_millivolt.txt", "Sampling frequency: 1000 Hz\nGain: 2 counts/mV\nvalue\n" + rows([[str(round(v * 2000)) for v in A]]), expect(1000, [channel("value", [round(v * 2000) / 2000 for v in A])]))
save("counts_per_channel.csv", "Sample Rate,1000,,\nGain,,0.001,0.002\nOffset,,0,-1\nTime,CH1,CH2\n" + rows([T, map(str, C12), [str(round((v + 1) / 0.002)) for v in B]]),
     expect(1000, [channel("CH1", RC12), channel("CH2", [round((v + 1) / 0.002) * 0.002 - 1 for v in B])]))
save("counts_unscaled.csv", "time,ADC (counts)\n" + rows([T, map(str, C12)]), expect(1000, [channel("ADC", [float(c) for c in C12], "counts")]))

save("counts_scale_by_unit.txt", "Sample rate: 1000 Hz\nResolution: 1 mV/LSB\nADC\n" + rows([map(str, C12)]), expect(1000, [channel("ADC", RC12)]))
save("settings_in_every_row.csv", "Time,Value,Unit,Range,Mode\n" + rows([T, MV, ["mV"] * N, ["5V"] * N, ["DC"] * N]), expect(1000, [channel("Value", RMV)]))
save("section_marks.csv", "[Header]\nSample Rate,1000\n[Data]\n" + rows([VA]), expect(1000, [channel("1", RA)]))
save("signal_period_is_no_interval.csv", "UNITS,mV\nPERIOD,20ms\nSAMPLING PERIOD,1ms\nDATA\n" + rows([MV]), expect(1000, [channel("DATA", RMV)]))
save("scan_list_with_alarms.csv", "Scan,Time,101 (VDC),Alarm 101\n" + "".join(f"{i + 1},03/14/2025 10:15:30:{i * 10:03d},{v},0\n" for i, v in enumerate(VA)), expect(100, [channel("101", RA)], logic=["Alarm 101"]))

# Time bases -------------------------------------------------------------------------------------
save("pretrigger.csv", "Time,CH1\n" + rows([times(start=-0.032), VA]), expect(1000, [channel("CH1", RA)], start=-0.032))
save("clock_time.csv", "Time,CH1\n" + rows([[f"12:59:59.{900 + i:03d}" if i < 100 else "" for i in range(N)], VA]), expect(1000, [channel("CH1", RA)]))
save("clock_midnight.csv", "Time;CH1\n" + rows([[f"23:59:59,{980 + i:03d}" if i < 20 else f"00:00:00,{i - 20:03d}" for i in range(N)], map(comma, VA)], ";"), expect(1000, [channel("CH1", RA)]))
save("clock_elapsed.txt", "Elapsed\tCH1\n" + rows([[f"00:{i // 600:02d}:{i % 600 / 10:04.1f}" for i in range(N)], VA], "\t"), expect(10, [channel("CH1", RA)]))
save("iso_stamps.csv", "timestamp,CH1\n" + rows([[f"2025-03-14T10:15:30.{i * 2:03d}Z" for i in range(N)], VA]), expect(500, [channel("CH1", RA)]))
save("iso_stamps_zone.csv", "timestamp,CH1\n" + rows([[f"2025-03-14T10:15:{i:02d}.000+01:00" if i < 60 else f"2025-03-14T10:16:{i - 60:02d}.000+01:00" for i in range(N)], VA]), expect(1, [channel("CH1", RA)]))
save("european_date_time.csv", "Datum;Uhrzeit;Kanal 1 [V]\n" + "".join(f"14.03.2025;10:15:30,{i * 2:03d};{comma(v)}\n" for i, v in enumerate(VA)), expect(500, [channel("Kanal 1", RA)]))
save("date_and_time_columns.csv", "Date,Time,CH1\n" + "".join(f"2025-03-14,23:59:{59 if i < 32 else 0:02d}.{(i if i < 32 else 0):03d},{v}\n" if False else f"{'2025-03-14' if i < 32 else '2025-03-15'},{'23:59:59' if i < 32 else '00:00:00'}.{(968 + i) if i < 32 else (i - 32):03d},{v}\n" for i, v in enumerate(VA)), expect(1000, [channel("CH1", RA)]))
save("date_time_milliseconds.csv", "Date,Time,ms,CH1\n" + "".join(f"3/14/2025,10:15:30,{i * 10},{v}\n" for i, v in enumerate(VA)), expect(100, [channel("CH1", RA)]))
save("time_of_day_am_pm.csv", "Time,CH1\n" + rows([[f"11:59:{30 + i} AM" if i < 30 else f"12:00:{i - 30:02d} PM" for i in range(N)], VA]), expect(1, [channel("CH1", RA)]))
save("epoch_seconds.csv", "timestamp,CH1\n" + rows([[f"{1741946130 + i / 500:.3f}" for i in range(N)], VA]), expect(500, [channel("CH1", RA)]))
save("epoch_milliseconds.csv", "timestamp,CH1\n" + rows([[str(1741946130000 + 2 * i) for i in range(N)], VA]), expect(500, [channel("CH1", RA)]))
save("epoch_nanoseconds.csv", "timestamp_ns,CH1\n" + rows([[str(1741946130000000000 + 125 * i) for i in range(N)], VA]), expect(8e6, [channel("CH1", RA)]))
save("interleaved_times.csv", "Time,CH1,Time,CH2\n" + rows([T, VA, T, VB]), expect(1000, two()))
save("interleaved_two_rates.csv", "t1 (s),CH1 (V),t2 (s),CH2 (V)\n" + "".join(f"{t},{a},{i * 0.002:.3f},{VB[i]}\n" if i < N // 2 else f"{t},{a},,\n" for i, (t, a) in enumerate(zip(T, VA))),
     expect(1000, [channel("CH1", RA)]), expect(500, [channel("CH2", RB[:N // 2])], samples=N // 2))
LONG = wave(n=600, rate=4096.0)
save("rounded_time.csv", "time,volts\n" + rows([[f"{i / 4096:.3f}" for i in range(600)], [f(v) for v in LONG]]), expect(4096, [channel("volts", r(LONG))], samples=600, rate_tolerance=2e-3), warnings=["rounded_time"])
save("rounded_time_preamble_rate.csv", "Sample Rate,4096\ntime,volts\n" + rows([[f"{i / 4096:.3f}" for i in range(600)], [f(v) for v in LONG]]), expect(4096, [channel("volts", r(LONG))], samples=600), warnings=["rounded_time"])
save("rounded_time_clock_seconds.csv", "Time,CH1\n" + rows([[f"10:00:{int(i / 20.48):02d}" for i in range(600)], [f(v) for v in LONG]]), expect(20.48, [channel("CH1", r(LONG))], samples=600, rate_tolerance=5e-3), warnings=["rounded_time"])
save("time_six_digits.csv", "time,volts\n" + rows([[f"{i / 44100:.6f}" for i in range(600)], [f(v) for v in LONG]]), expect(44100, [channel("volts", r(LONG))], samples=600, rate_tolerance=1e-4))
save("time_significant_digits.csv", "time,volts\n" + rows([["%.6g" % (i / 360) for i in range(600)], [f(v) for v in LONG]]), expect(360, [channel("volts", r(LONG))], samples=600, rate_tolerance=1e-5))
save("time_float_noise.csv", "time,volts\n" + rows([[repr(i * 0.1 / 100) for i in range(N)], VA]), expect(1000, [channel("volts", RA)]))
save("gap.csv", "time,volts\n" + "".join(f"{t},{v}\n" for i, (t, v) in enumerate(zip(T, VA)) if i not in (30, 31)), expect(1000, [channel("volts", [None if i in (30, 31) else v for i, v in enumerate(RA)])]), warnings=["missing_samples"])
JIT = [0.2 if i % 7 == 3 else 0.0 for i in range(N)]
save("jitter.csv", "time,volts\n" + rows([[f"{(i + j) * 0.001:.6f}" for i, j in enumerate(JIT)], VA]), expect(1000, [channel("volts", RA)], rate_tolerance=2e-3), warnings=["uneven_sampling"])
save("rate_contradicted.csv", "Sample Rate,2000\ntime,volts\n" + rows([T, VA]), expect(1000, [channel("volts", RA)]), warnings=["rate_mismatch"])
save("rate_option_over_column.csv", "time,volts\n" + rows([T, VA]), expect(1250, [channel("volts", RA)]), options={"sample_rate_hz": 1250}, warnings=["rate_mismatch"])
save("points_contradicted.csv", "Record Length,100\ntime,volts\n" + rows([T, VA]), expect(1000, [channel("volts", RA)]), warnings=["missing_samples"])
save("points_exceeded.csv", "Record Length,50\ntime,volts\n" + rows([T, VA]), expect(1000, [channel("volts", RA)]), warnings=["range_mismatch"])

# Cells that are no number -----------------------------------------------------------------------
def patched(marks):
    return [marks.get(i, v) for i, v in enumerate(VA)], [None if i in marks else v for i, v in enumerate(RA)]


text, values = patched({10: "", 20: "", 21: ""})
save("blank_cells.csv", "time,volts\n" + rows([T, text]), expect(1000, [channel("volts", values)]), warnings=["missing_samples"])
text, values = patched({10: "--", 20: "NaN", 21: "n/a", 30: "---", 40: "#N/A"})
save("dashes_and_nan.csv", "time,volts\n" + rows([T, text]), expect(1000, [channel("volts", values)]), warnings=["missing_samples"])
over = {10: "OL", 11: "inf", 12: "-OL", 13: "9.9E+37", 14: "-9.9E+37", 15: "Overload", 16: "+OVLD", 17: "-Infinity"}
signs = {10: 1, 11: 1, 12: -1, 13: 1, 14: -1, 15: 1, 16: 1, 17: -1}
save("overload_marks.csv", "time,volts\n" + rows([T, [over.get(i, v) for i, v in enumerate(VA)]]), expect(1000, [channel("volts", [signs[i] * math.inf if i in signs else v for i, v in enumerate(RA)])]))
save("not_a_number_mark.csv", "time,volts\n" + rows([T, [("9.91E+37" if i == 5 else v) for i, v in enumerate(VA)]]), expect(1000, [channel("volts", [None if i == 5 else v for i, v in enumerate(RA)])]), warnings=["missing_samples"])
save("logic_columns.csv", "Time,CH1,D0,D1\n" + rows([T, VA, [str(i // 5 % 2) for i in range(N)], [str(i % 2) for i in range(N)]]), expect(1000, [channel("CH1", RA)], logic=["D0", "D1"]))
save("cut_last_line.csv", ("time,volts\n" + rows([T, VA]) + "0.064"), expect(1000, [channel("volts", RA)]), warnings=["missing_samples"])
save("comment_between_rows.csv", "time,volts\n" + rows([T[:30], VA[:30]]) + "# note: door closed\n" + rows([T[30:], VA[30:]]), expect(1000, [channel("volts", RA)]))

# Tables turned on their side, several records ---------------------------------------------------
save("transposed.csv", "Time (s)," + ",".join(T) + "\nCH1 (V)," + ",".join(VA) + "\nCH2 (mV)," + ",".join(f(v * 1000, 3) for v in B) + "\n",
     expect(1000, [channel("CH1", RA), channel("CH2", [float(f(v * 1000, 3)) * 1e-3 for v in B])]))
save("transposed_no_names.txt", "\t".join(T) + "\n" + "\t".join(VA) + "\n", expect(1000, [channel("1", RA)]))
save("transposed_preamble.csv", "Sample Rate,1000\nUnit,V\nCH1;" .replace(";", ",") + ",".join(VA) + "\nCH2," + ",".join(VB) + "\n", expect(1000, two()))
save("one_long_line.csv", ",".join(VA) + "\n", expect(1000, [channel("1", RA)]), options={"sample_rate_hz": 1000})
save("two_records.csv", "Sample Rate,1000\nTime,CH1\n" + rows([T, VA]) + "\nSample Rate,1000\nTime,CH2\n" + rows([T, VB]),
     expect(1000, [channel("CH1", RA)]), expect(1000, [channel("CH2", RB)]))
save("two_records_blank_line.txt", "time volts\n" + rows([T, VA], " ") + "\n\ntime volts\n" + rows([T, VB], " "),
     expect(1000, [channel("volts", RA)]), expect(1000, [channel("volts", RB)]))
ONE_EACH = [expect(1000, [channel("CH1", RA)]), expect(1000, [channel("CH2", RB)])]
save("long_format.csv", "Channel,Time,Value\n" + rows([["CH1"] * N, T, VA]) + rows([["CH2"] * N, T, VB]), *ONE_EACH)
save("long_format_alternating.csv", "Time,Channel,Value\n" + "".join(f"{t},CH1,{a}\n{t},CH2,{b}\n" for t, a, b in zip(T, VA, VB)), *ONE_EACH)
save("two_records_restarting_time.txt", rows([T, VA], " ") + "\n\n" + rows([T, VB], " "), expect(1000, [channel("1", RA)]), expect(1000, [channel("1", RB)]))


# Layouts of many benches -------------------------------------------------------------------------
MS = [str(i) for i in range(N)]
save("blocks_per_channel.txt", "".join(f"Channel: {n}\nSample rate: 1 kHz\nUnit: V\nPoints: 64\nData:\n" + rows([v]) + "\n" for n, v in (("Bridge", VA), ("Supply", VB))),
     expect(1000, [channel("Bridge", RA)]), expect(1000, [channel("Supply", RB)]))
save("engineering_prefixes.csv", "time,volts\n" + rows([[f"{i}m" if i else "0" for i in range(N)], [f"{v * 1000:.3f}m" for v in A]]),
     expect(1000, [channel("volts", [float(f"{v * 1000:.3f}") * 1e-3 for v in A])]))
save("engineering_prefixes_mixed.csv", "t;U\n" + rows([[f"{i * 500}u" if i < 2 else f"{comma(str(i / 2))}m" for i in range(N)], [f"{comma(f(v * 1000, 3))}m" if abs(v) < 0.15 else comma(f(v)) for v in A]], ";"),
     expect(2000, [channel("U", [float(f(v * 1000, 3)) * 1e-3 if abs(v) < 0.15 else float(f(v)) for v in A])]))
save("units_change_in_cells.csv", "Time,Bridge\n" + rows([[f"{i * 500} us" if i < 2 else f"{i / 2:.1f} ms" for i in range(N)], [f"{v * 1000:.3f} mV" if abs(v) < 0.15 else f"{f(v)} V" for v in A]]),
     expect(2000, [channel("Bridge", [float(f(v * 1000, 3)) * 1e-3 if abs(v) < 0.15 else float(f(v)) for v in A])]))
save("stamp_and_elapsed.csv", "Date and time,Elapsed (s),CH1 (V)\n" + rows([["2025-03-14 10:15:30" for _ in range(N)], T, VA]), expect(1000, [channel("CH1", RA)], start=0))
save("clock_and_elapsed_clock.csv", "Clock,Elapsed,CH1\n" + rows([["10:15:30"] * N, [f"00:00:00.{i * 2:03d}" for i in range(N)], VA]), expect(500, [channel("CH1", RA)]))
save("names_units_notes_rows.csv", "Time,Bridge,Supply\ns,mV,V\nelapsed,raw,raw\n" + rows([T, MV, VB]), expect(1000, [channel("Bridge", RMV), channel("Supply", RB)]))
save("units_row_above_names.csv", "s,mV,V\nTime,Bridge,Supply\n" + rows([T, MV, VB]), expect(1000, [channel("Bridge", RMV), channel("Supply", RB)]))
save("repeated_header.csv", "".join("Time,CH1\n" + rows([T[i:i + 16], VA[i:i + 16]]) for i in range(0, N, 16)), expect(1000, [channel("CH1", RA)]))
save("repeated_header_pages.txt", "".join("\x0c" * (i > 0) + f"Page {i // 16 + 1}\n\nTime (s)  CH1 (V)\n" + rows([T[i:i + 16], VA[i:i + 16]], "  ") + "\n" for i in range(0, N, 16)), expect(1000, [channel("CH1", RA)]))
save("hex_counts.csv", "Sample interval,1 ms\nVertical gain,0.001\nReference,0x800\nADC\n" + rows([[f"0x{c + 2048:04X}" for c in C12]]), expect(1000, [channel("ADC", RC12)]))
save("segments_numbered.csv", "Segment,Time,CH1\n" + rows([["1"] * N, T, VA]) + rows([["2"] * N, T, VB]), expect(1000, [channel("CH1", RA)]), expect(1000, [channel("CH1", RB)]))
save("minutes_and_seconds.csv", "Elapsed,CH1\n" + rows([[f"{(i * 125) // 60000:02d}:{(i * 125) % 60000 / 1000:06.3f}" for i in range(N)], VA]), expect(8, [channel("CH1", RA)]))
save("stamp_comma_milliseconds.txt", "Zeitstempel;Wert [V]\n" + "".join(f"2025-03-14 10:15:30,{i * 5:03d};{comma(v)}\n" for i, v in enumerate(VA)), expect(200, [channel("Wert", RA)]))
save("stamp_month_name.csv", "Timestamp,CH1\n" + "".join(f"14-Mar-2025 10:15:30.{i * 5:03d},{v}\n" for i, v in enumerate(VA)), expect(200, [channel("CH1", RA)]))
save("stamp_compact.csv", "Timestamp,CH1\n" + "".join(f"20250314T101530.{i * 5:03d},{v}\n" for i, v in enumerate(VA)), expect(200, [channel("CH1", RA)]))
save("stamp_am_pm_milliseconds.csv", "Timestamp,CH1\n" + "".join(f"3/14/2025 10:15:30.{i * 5:03d} AM,{v}\n" for i, v in enumerate(VA)), expect(200, [channel("CH1", RA)]))
save("stamp_parted_by_blanks.txt", "".join(f"2025-03-14 10:15:30.{i * 5:03d} {v}\n" for i, v in enumerate(VA)), expect(200, [channel("1", RA)]))
save("preamble_sections.ini.txt", "[Timebase]\nInterval=0.5\nUnit=ms\n[Input]\nChannel=Bridge\nRange=500 mV\nUnit=mV\n[Samples]\n" + rows([MV]), expect(2000, [channel("Bridge", RMV)], full_scale_v=0.5))
save("preamble_time_unit_apart.csv", "Time Units,ms\nTime Interval,0.5\nVertical Units,mV\nCH1\n" + rows([MV]), expect(2000, [channel("CH1", RMV)]))
save("preamble_names_row.csv", "Channel,Bridge,Supply\nCoupling,DC,DC\nUnit,mV,V\nSample rate,1000,1000\n" + "".join(f"{i},{a},{b}\n" for i, (a, b) in enumerate(zip(MV, VB))), expect(1000, [channel("Bridge", RMV), channel("Supply", RB)], coupling="dc"))
save("preamble_sentence.txt", "Recorded 64 readings of the bridge at 250 samples per second\n\nU/mV\n" + rows([MV]), expect(250, [channel("U", RMV)]))
save("preamble_samples_per_second.txt", "Samples per second: 1000\nSignal: bridge\n" + rows([VA]), expect(1000, [channel("bridge", RA)]))
save("preamble_every.txt", "Log every 100 ms\nvolts\n" + rows([VA]), expect(10, [channel("volts", RA)]))
save("preamble_decimal_comma_exponent.csv", "Abtastintervall;5,0E-04;s\nKanal;Br\u00fccke\nEinheit;mV\n" + rows([map(comma, MV)]), expect(2000, [channel("Br\u00fccke", RMV)]))
save("preamble_two_column_units.csv", "Sampling interval,(ms),2\nLength,(points),64\nCH1 (mV)\n" + rows([MV]), expect(500, [channel("CH1", RMV)]))
save("preamble_tab_aligned.txt", "Sample rate\t\t: 1000 Hz\nCoupling\t\t: AC\nUnit\t\t\t: mV\n\nTime\tBridge\n" + rows([T, MV], "\t"), expect(1000, [channel("Bridge", RMV)], coupling="ac"))
save("preamble_dotted.txt", "Sample rate ........ 1000 Hz\nUnit ............... mV\n\nBridge\n" + rows([MV]), expect(1000, [channel("Bridge", RMV)]))
save("spreadsheet_text_cells.csv", "Time,CH1\n" + "".join(f'="{t}",="{v}"\n' for t, v in zip(T, VA)), expect(1000, [channel("CH1", RA)]))
save("marker_column.csv", "Time,CH1,Marker\n" + "".join(f"{t},{v},{'knock' if i in (10, 40) else ''}\n" for i, (t, v) in enumerate(zip(T, VA))), expect(1000, [channel("CH1", RA)]))
save("pairs_named_x_y.csv", "CH1 X,CH1 Y,CH2 X,CH2 Y\n" + rows([T, VA, T, VB]), expect(1000, [channel("CH1 Y", RA), channel("CH2 Y", RB)]))
save("markdown_table.txt", "| Time (s) | CH1 (mV) |\n|---------:|---------:|\n" + "".join(f"| {t} | {v} |\n" for t, v in zip(T, MV)), expect(1000, [channel("CH1", RMV)]))
save("double_carriage_returns.csv", "time,volts\r\r\n" + rows([T, VA], end="\r\r\n"), expect(1000, [channel("volts", RA)]))
save("zero_padded_end.csv", "time,volts\n" + rows([T, VA]) + "\0" * 100, expect(1000, [channel("volts", RA)]))
save("utf16_be_no_bom.csv", ("time;volts\r\n" + rows([map(comma, T), map(comma, VA)], ";", "\r\n")).encode("utf-16-be"), expect(1000, [channel("volts", RA)]))
save("millis_counter.csv", "millis,adc\n" + rows([[str(13452 + 2 * i) for i in range(N)], VA]), expect(500, [channel("adc", RA)]))
save("units_varied.csv", "Time [ms];Bridge - mV;Supply (in V);Sense: uV\n" + rows([MS, MV, VB, MV], ";"), expect(1000, [channel("Bridge", RMV), channel("Supply", RB), channel("Sense", [v * 1e-3 for v in RMV])]))
save("clock_format_in_header.csv", "Time (HH:MM:SS.sss),CH1 (V)\n" + rows([[f"10:15:30.{i * 5:03d}" for i in range(N)], VA]), expect(200, [channel("CH1", RA)]))
save("summary_in_front.csv", "Minimum,0.066\nMaximum,0.172\nMean,0.122\nSamples,64\nInterval (ms),1\nNo.,Value (V)\n" + rows([[str(i + 1) for i in range(N)], VA]), expect(1000, [channel("Value", RA)]))
save("summary_columns_behind.csv", "time,volts\n" + rows([T, VA]) + "Min,0.066\nMax,0.172\nStd. dev.,0.036\n\nExported by bench 3\n", expect(1000, [channel("volts", RA)]))
save("summary_blank_first_cell.csv", "time;CH1;CH2\n" + rows([T, VA, VB], ";") + ";Mean;Mean\n;0.122;-0.4\n", expect(1000, two()))
save("side_by_side_records.csv", "".join(f"{k},{t},{a},,{k},{t},{b}\n" for k, t, a, b in zip(["Points,64", "Interval,0.001", "Probe,10"] + [","] * (N - 3), T, VA, VB)), expect(1000, [channel("1", RA), channel("2", RB)], probe_factor=10))
save("index_rate_unit_in_key.txt", "fs [S/s];1000\nch;1\nunit;V\n0;" + VA[0] + "\n" + "".join(f"{i};{v}\n" for i, v in enumerate(VA) if i), expect(1000, [channel("1", RA)]))
save("thousands_tab.txt", "Time (us)\tBridge (uV)\n" + rows([[f"{i * 1000:,}" for i in range(N)], [f"{v * 1e6:,.1f}" for v in A]], "\t"), expect(1000, [channel("Bridge", [float(f"{v * 1e6:.1f}") * 1e-6 for v in A])]))
save("thousands_quoted.csv", '"Time (us)","Bridge (uV)"\n' + "".join(f'"{i * 1000:,}","{v * 1e6:,.1f}"\n' for i, v in enumerate(A)), expect(1000, [channel("Bridge", [float(f"{v * 1e6:.1f}") * 1e-6 for v in A])]))
save("thousands_points.csv", "Zeit (\u00b5s);Br\u00fccke (\u00b5V)\n" + "".join(f"{i * 1000:,};{v * 1e6:,.1f}\n".replace(",", "#").replace(".", ",").replace("#", ".") for i, v in enumerate(A)), expect(1000, [channel("Br\u00fccke", [float(f"{v * 1e6:.1f}") * 1e-6 for v in A])]))
save("comments_behind_rows.csv", "time,volts\n" + "".join(f"{t},{v}{' # door' if i == 20 else ''}\n" for i, (t, v) in enumerate(zip(T, VA))), expect(1000, [channel("volts", RA)]))

save("preamble_per_sample.txt", "Time base: 1 ms/sample\nInput: AC 1 M\u03a9\nvolts\n" + rows([VA]), expect(1000, [channel("volts", RA)]))
save("preamble_keys_over_values.csv", "Sample Rate (Hz),Points,Unit\n1000,64,mV\n\nBridge\n" + rows([MV]), expect(1000, [channel("Bridge", RMV)]))
save("preamble_keys_over_values_time.csv", "Range;Coupling;Probe\n\u00b15 V;AC;10:1\n\nt [s];U [V]\n" + rows([map(comma, T), map(comma, VA)], ";"), expect(1000, [channel("U", RA)], full_scale_v=5, coupling="ac", probe_factor=10))
save("preamble_statements_by_blanks.txt", "# fs=1000 unit=mV coupling=AC probe=10\n" + rows([MV]), expect(1000, [channel("1", RMV)], coupling="ac", probe_factor=10))
save("preamble_braces.txt", '# {"sample_rate": 1000, "unit": "mV", "coupling": "AC"}\n' + rows([MV]), expect(1000, [channel("1", RMV)], coupling="ac"))
save("preamble_calibration_table.csv", "Calibration\n0,0.01\n5,5.02\n10,10.01\n\nTime,CH1,CH2\n" + rows([T, VA, VB]), expect(1000, two()))
save("preamble_trailing_delimiters.csv", "Sample Rate;1000;;\nRange;\u00b110 V;;\n;;;\nIndex;CH1;CH2;\n" + "".join(f"{i};{a};{b};\n" for i, (a, b) in enumerate(zip(VA, VB))), expect(1000, two(), full_scale_v=10))
save("preamble_greek.txt", "\u0394t = 1 ms\nU in mV\n" + rows([MV]), expect(1000, [channel("U", RMV)]))
save("preamble_range_words.txt", "Sample rate: 1000\nInput range: -10 V to +10 V\nvolts\n" + rows([VA]), expect(1000, [channel("volts", RA)], full_scale_v=10))
save("preamble_trigger_share.txt", "Sample rate: 1000\nRecord length: 64\nTrigger position: 50 %\nvolts\n" + rows([VA]), expect(1000, [channel("volts", RA)], start=-0.032))
save("header_of_sections.txt", "Separator\tTab\nDecimal\t.\nChannels\t2\nSamples\t64\t64\nY_Unit_Label\tmV\tmV\nX0\t0.0\t0.0\nDelta_X\t0.001\t0.001\n***End***\t\t\nX_Value\tBridge\tSupply\tComment\n" + "".join(f"{t}\t{a}\t{b}\t\n" for t, a, b in zip(T, MV, MV)), expect(1000, [channel("Bridge", RMV), channel("Supply", RMV)]))
save("header_in_two_lines_quoted.csv", 'Time (s),"Bridge\n(mV)","Supply\n(V)"\n' + rows([T, MV, VB]), expect(1000, [channel("Bridge", RMV), channel("Supply", RB)]))
save("leading_delimiter.txt", "\tTime\tCH1\n" + "".join(f"\t{t}\t{v}\n" for t, v in zip(T, VA)), expect(1000, [channel("CH1", RA)]))
save("leading_blank_lines.csv", "\n\n  Time , CH1\n" + rows([T, VA]), expect(1000, [channel("CH1", RA)]))
save("no_header_index_time_value.csv", rows([[str(i + 1) for i in range(N)], T, VA]), expect(1000, [channel("1", RA)]))
save("no_header_clock.csv", rows([[f"10:15:30.{i * 5:03d}" for i in range(N)], VA]), expect(200, [channel("1", RA)]))
save("transposed_colon.txt", "CH1: " + " ".join(VA) + "\nCH2: " + " ".join(VB) + "\nSample rate: 1 kHz\n", expect(1000, two()))
save("transposed_units_decimal_comma.csv", "Zeit;ms;" + ";".join(comma(str(i * 0.5)) for i in range(N)) + "\nBr\u00fccke;mV;" + ";".join(map(comma, MV)) + "\n", expect(2000, [channel("Br\u00fccke", RMV)]))
save("coarse_clock_with_rate.csv", "Sample rate: 1000 Hz\nTime,CH1\n" + rows([["10:15:30"] * N, VA]), expect(1000, [channel("CH1", RA)]))
save("clock_nanoseconds.csv", "timestamp,CH1\n" + rows([[f"2025-03-14T10:15:30.{i * 125:09d}Z" for i in range(N)], VA]), expect(8e6, [channel("CH1", RA)], rate_tolerance=1e-6))
save("units_behind_numbers_decimal_comma.txt", "Zeit;Br\u00fccke\n" + rows([[comma(t) + " s" for t in T], [comma(v) + "mV" for v in MV]], ";"), expect(1000, [channel("Br\u00fccke", RMV)]))
save("spreadsheet_days.csv", "Date,CH1\n" + rows([[f"{45730.25 + i / 86400 / 8:.12f}" for i in range(N)], VA]), expect(8, [channel("CH1", RA)], rate_tolerance=1e-5))
save("records_numbered_lines.txt", "Record 1 of 2\nTime,CH1\n" + rows([T, VA]) + "Record 2 of 2\nTime,CH1\n" + rows([T, VB]), expect(1000, [channel("CH1", RA)]), expect(1000, [channel("CH1", RB)]))
save("blank_line_every_ten.csv", "Time,CH1\n" + "".join(f"{t},{v}\n" + ("\n" if i % 10 == 9 else "") for i, (t, v) in enumerate(zip(T, VA))), expect(1000, [channel("CH1", RA)]))
save("closing_words.txt", "Time,CH1\n" + rows([T, VA]) + "*** end of data ***\n", expect(1000, [channel("CH1", RA)]))
save("rate_column.csv", "Index,Value (mV),Sample Rate (Hz)\n" + rows([[str(i) for i in range(N)], MV, ["1000"] * N]), expect(1000, [channel("Value", RMV)]))
save("byte_order_mark_and_sep.csv", "\ufeffsep=;\nTime (s);CH1 (V)\n" + rows([map(comma, T), map(comma, VA)], ";"), expect(1000, [channel("CH1", RA)]))
save("star_comments.txt", "* Rate: 1 kHz\n* Time  CH1\n" + rows([T, VA], "  "), expect(1000, [channel("CH1", RA)]))
save("tight_brackets.csv", "Time(ms),U1(mV),U2[V]\n" + rows([MS, MV, VB]), expect(1000, [channel("U1", RMV), channel("U2", RB)]))
save("without_leading_zeros.txt", rows([[t.lstrip("0") or "0" for t in T], [v.replace("0.", ".") for v in VB]], "  "), expect(1000, [channel("1", RB)]))
save("counts_volts_per_bit.txt", "Sample rate: 1000 Hz\nVolts per bit: 0.001\nZero offset (counts): 512\nADC\n" + rows([[str(c + 512) for c in C12]]), expect(1000, [channel("ADC", RC12)]))
save("counts_lsb.csv", "fs,1000\nLSB,1 mV\nMidscale,32768\ncode\n" + rows([[str(c + 32768) for c in C12]]), expect(1000, [channel("code", RC12)]))
save("counts_gain_offset_volts.csv", "Interval (us);1000\nGain (V/count);0,001\nOffset (V);-0,5\nCH1\n" + rows([[str(c + 500) for c in C12]]), expect(1000, [channel("CH1", RC12)]))
save("names_with_places.txt", "Time - rack/in0\tAmplitude - rack/in0\tAmplitude - rack/in1\n" + rows([T, VA, VB], "\t"), expect(1000, [channel("Amplitude - rack/in0", RA), channel("Amplitude - rack/in1", RB)]))
save("rows_numbered_colon.txt", "".join(f"{i + 1:04d}: {t} {v}\n" for i, (t, v) in enumerate(zip(T, VA))), expect(1000, [channel("1", RA)]))

save("rate_line_units.txt", "Rate(Hz),1000\nUnits,mV\nBridge\n" + rows([MV]), expect(1000, [channel("Bridge", RMV)]))
save("kind_of_time.csv", "Time (h),CH1 (V)\n" + rows([[f"{i / 3600:.9f}" for i in range(N)], VA]), expect(1, [channel("CH1", RA)], rate_tolerance=1e-4))
save("minutes.csv", "t/min;U/V\n" + rows([[comma(f"{i * 0.1:.1f}") for i in range(N)], map(comma, VA)], ";"), expect(1/6, [channel("U", RA)], rate_tolerance=1e-9))
save("two_stamps.csv", "Local time,UTC time,CH1\n" + "".join(f"2025-03-14 11:15:30.{i*5:03d},2025-03-14 10:15:30.{i*5:03d},{v}\n" for i, v in enumerate(VA)), expect(200, [channel("CH1", RA)]))
save("temperature_beside.csv", "Time (s),Bridge (mV),Temperature (\u00b0C)\n" + rows([T, MV, ["21.5"] * N]), expect(1000, [channel("Bridge", RMV), channel("Temperature", [21.5] * N, "\u00b0C")]))
save("status_words.csv", "Time,CH1,Status\n" + rows([T, VA, ["OK"] * N]), expect(1000, [channel("CH1", RA)]))
save("range_marks.csv", "Time,CH1,CH1 over\n" + rows([T, VA, ["0"] * N]), expect(1000, [channel("CH1", RA)], logic=["CH1 over"]))
save("min_max.csv", "Time,CH1 min,CH1 max\n" + rows([T, VB, VA]), expect(1000, [channel("CH1 min", RB), channel("CH1 max", RA)]))
save("unit_word_row.csv", "time;bridge;supply\nseconds;millivolts;volts\n" + rows([T, MV, VB], ";"), expect(1000, [channel("bridge", RMV), channel("supply", RB)]))
save("title_row_first.csv", "Load cell at rest,,\nTime,CH1,CH2\n" + rows([T, VA, VB]), expect(1000, two()))
save("merged_title.csv", ",Channels,\nTime,CH1,CH2\ns,V,V\n" + rows([T, VA, VB]), expect(1000, two()))
save("grouped_titles.csv", "Time,Bridge,Bridge,Supply\n,left,right,\ns,V,V,V\n" + rows([T, VA, VB, VA]), expect(1000, [channel("Bridge left", RA), channel("Bridge right", RB), channel("Supply", RA)]))
save("semicolon_point_comma_text.csv", "Datum;Zeit;Messwert [mV];Bemerkung\n" + "".join(f"14.03.2025;10:15:{30 + i // 10:02d},{i % 10}00;{comma(v)};\n" for i, v in enumerate(MV)), expect(10, [channel("Messwert", RMV)]))
save("short_year.csv", "Date,Time,CH1\n" + "".join(f"03/14/25,10:15:30.{i * 5:03d},{v}\n" for i, v in enumerate(VA)), expect(200, [channel("CH1", RA)]))
save("points_key_colon.txt", "Points : 64\nX increment : 1.0E-3 s\nY increment : 1.0E-3 V\nY origin : 0 V\nY reference : 0\n" + rows([map(str, C12)]), expect(1000, [channel("1", RC12)]))
save("horizontal_vertical.csv", "Vertical Scale (V/div),0.05\nVertical Offset (V),0.1\nHorizontal Scale (s/div),0.005\nSampling Interval (s),0.001\nTime,CH1\n" + rows([T, VA]), expect(1000, [channel("CH1", RA)]))
save("rate_and_scale_no_counts.csv", "Sample Rate,1000\nVertical Scale,0.05\nCH1 (V)\n" + rows([VA]), expect(1000, [channel("CH1", RA)]))
save("numbers_tab_preamble_quotes.txt", '"Sampling rate"\t"1 kHz"\n"Bridge [mV]"\t"Supply [V]"\n' + rows([MV, VB], "\t"), expect(1000, [channel("Bridge", RMV), channel("Supply", RB)]))
save("time_without_unit_ms.csv", "Sample rate,1000\nTime,CH1\n" + rows([[f"{i}.0" for i in range(N)], VA]), expect(1000, [channel("CH1", RA)]))
save("epoch_ms_fraction.csv", "time_ms,volts\n" + rows([[f"{1741946130000 + i * 0.5:.1f}" for i in range(N)], VA]), expect(2000, [channel("volts", RA)]))
save("nbsp_padding.csv", "time;volts\n" + "".join(f"\u00a0{t}\u00a0;\u00a0{v}\n" for t, v in zip(T, VA)), expect(1000, [channel("volts", RA)]))
save("plus_minus_units.txt", "Range: \u00b12.5V\nSampling: 1kHz\nU\n" + rows([VA]), expect(1000, [channel("U", RA)], full_scale_v=2.5))
save("rate_per_channel.csv", "Sample rate (Hz/channel): 1000\nCH1,CH2\n" + rows([VA, VB]), expect(1000, two()))
save("start_stop.csv", "Start (s),0\nStop (s),0.063\nStep (s),0.001\nCH1 (V)\n" + rows([VA]), expect(1000, [channel("CH1", RA)], start=0))
save("quoted_units_cells.csv", '"0.000 s","134.469 mV"\n' + "".join(f'"{t} s","{v} mV"\n' for t, v in zip(T[1:], MV[1:])), expect(1000, [channel("1", RMV)]))
save("line_feed_cr.csv", "time,volts\n\r" + rows([T, VA], end="\n\r"), expect(1000, [channel("volts", RA)]))
save("tab_and_blanks.txt", "time\t volts\n" + "".join(f"{t}\t {v}\n" for t, v in zip(T, VA)), expect(1000, [channel("volts", RA)]))
save("comma_blank.txt", "time, CH1, CH2\n" + "".join(f"{t}, {a}, {b}\n" for t, a, b in zip(T, VA, VB)), expect(1000, two()))
save("trigger_time_zero_middle.csv", "Record length: 64\nTrigger sample: 32\nInterval: 1 ms\nCH1\n" + rows([VA]), expect(1000, [channel("CH1", RA)], start=-0.032))


# Recordings -------------------------------------------------------------------------------------
def chunk(name, body):
    return name + struct.pack("<I", len(body)) + body + (b"\0" if len(body) % 2 else b"")


def fmt(tag, channels, rate, bits, container=None):
    container = container or (bits + 7) // 8
    return struct.pack("<HHIIHH", tag, channels, rate, rate * channels * container, channels * container, bits)


def extensible(tag, channels, rate, bits, container):
    guid = struct.pack("<H", tag) + bytes.fromhex("000000001000800000aa00389b71")
    return fmt(0xFFFE, channels, rate, container * 8, container) + struct.pack("<HHI", 22, bits, 0) + guid


def riff(*chunks, size=None):
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body) if size is None else size) + body


def ints(values, bits):
    steps = 2 ** (bits - 1)
    return [max(-steps, min(steps - 1, round(v * steps))) for v in values]


def pcm(channels, bits):
    width = (bits + 7) // 8
    out = b""
    for frame in zip(*(ints(c, bits) for c in channels)):
        for v in frame:
            out += bytes([v + 128]) if bits == 8 else v.to_bytes(width, "little", signed=True)
    return out, [[v / 2 ** (bits - 1) for v in ints(c, bits)] for c in channels]


for bits in (8, 16, 24, 32):
    data, read = pcm([A, B], bits)
    save(f"pcm{bits}_stereo.wav", riff(chunk(b"fmt ", fmt(1, 2, 8000, bits)), chunk(b"data", data)), expect(8000, [channel("1", read[0]), channel("2", read[1])], full_scale_v=1))
data, read = pcm([A], 16)
save("pcm16_full_scale.wav", riff(chunk(b"fmt ", fmt(1, 1, 8000, 16)), chunk(b"data", data)), expect(8000, [channel("1", [v * 5 for v in read[0]])], full_scale_v=5), options={"full_scale_v": 5})
f32 = [struct.unpack("<f", struct.pack("<f", v))[0] for v in A]
data = b"".join(struct.pack("<f", v) for v in A)
save("float32.wav", riff(chunk(b"fmt ", fmt(3, 1, 8000, 32)), chunk(b"data", data)), expect(8000, [channel("1", f32)]))
save("float64.wav", riff(chunk(b"fmt ", fmt(3, 1, 8000, 64)), chunk(b"data", b"".join(struct.pack("<d", v) for v in A))), expect(8000, [channel("1", A)]))
data, read = pcm([A], 24)
save("extensible_24.wav", riff(chunk(b"fmt ", extensible(1, 1, 8000, 24, 3)), chunk(b"data", data)), expect(8000, [channel("1", read[0])]))
data20, read20 = pcm([A], 20)
wide = b"".join((v << 12).to_bytes(4, "little", signed=True) for v in ints(A, 20))
save("extensible_20_in_32.wav", riff(chunk(b"fmt ", extensible(1, 1, 8000, 20, 4)), chunk(b"data", wide)), expect(8000, [channel("1", read20[0])]))
save("extensible_float.wav", riff(chunk(b"fmt ", extensible(3, 1, 8000, 32, 4)), chunk(b"data", b"".join(struct.pack("<f", v) for v in A))), expect(8000, [channel("1", f32)]))
data, read = pcm([A], 16)
save("extra_chunks_odd.wav", riff(chunk(b"LIST", b"INFOabc"), chunk(b"fmt ", fmt(1, 1, 8000, 16)), chunk(b"fact", struct.pack("<I", N)), chunk(b"data", data), chunk(b"LIST", b"INFOxyz")), expect(8000, [channel("1", read[0])]))
head = chunk(b"fmt ", fmt(1, 1, 8000, 16))
save("streamed_size_zero.wav", riff(head, b"data" + struct.pack("<I", 0) + data, size=0), expect(8000, [channel("1", read[0])]))
save("streamed_size_ones.wav", riff(head, b"data" + b"\xff\xff\xff\xff" + data, size=0xFFFFFFFF), expect(8000, [channel("1", read[0])]))
save("truncated_data.wav", riff(head, b"data" + struct.pack("<I", len(data) + 1000) + data), expect(8000, [channel("1", read[0])]), warnings=["missing_samples"])
ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, len(data), N, 0))
save("rf64.wav", b"RF64" + b"\xff\xff\xff\xff" + b"WAVE" + ds64 + head + b"data" + b"\xff\xff\xff\xff" + data + chunk(b"LIST", b"INFO"), expect(8000, [channel("1", read[0])]))
save("bw64.wav", b"BW64" + b"\xff\xff\xff\xff" + b"WAVE" + ds64 + head + b"data" + b"\xff\xff\xff\xff" + data, expect(8000, [channel("1", read[0])]))

written = ",\n".join(json.dumps(list(values)) for values in SERIES)
files = ",\n".join(json.dumps(entry, ensure_ascii=False) for entry in EXPECTED)
(HERE / "expected.json").write_text(f'{{"series": [\n{written}\n], "files": [\n{files}\n]}}\n')
print(len(EXPECTED), "captures")
