#!/usr/bin/env python3
"""Writes the bad files of this folder and expected.json: the kind of error each must give, and its place.

Run it here: python3 generate.py. Lines and columns count from 1.
"""
import gzip
import json
import struct
from pathlib import Path

HERE = Path(__file__).parent
EXPECTED = []
N = 30
T = [f"{i * 0.001:.3f}" for i in range(N)]
V = [f"{0.1 + 0.01 * (i * 7 % 11):.4f}" for i in range(N)]


def save(name, content, kind, line=None, column=None, options=None):
    data = content if isinstance(content, bytes) else content.encode()
    (HERE / name).write_bytes(data)
    EXPECTED.append({"file": name, "kind": kind, "line": line, "column": column, "options": options or {}})


def table(times=T, values=V, replace=None, header="time,volts", delimiter=",", end="\n"):
    """A good table, but for the lines in `replace` (1-based line of the file to its new text)."""
    lines = [header] if header else []
    lines += [f"{t}{delimiter}{v}" for t, v in zip(times, values)]
    for line, text in (replace or {}).items():
        lines[line - 1] = text
    return end.join(lines) + end


# Nothing to read --------------------------------------------------------------------------------
save("empty.csv", b"", "no_samples")
save("only_line_ends.csv", "\n\n\r\n\n", "no_samples")
save("only_byte_order_mark.csv", b"\xef\xbb\xbf", "no_samples")
save("only_utf16_mark.csv", b"\xff\xfe", "no_samples")
save("header_only.csv", "Time (s),CH1 (V)\n", "no_samples")
save("preamble_only.csv", "Sample Rate,1000\nRecord Length,0\nTime,CH1\n", "no_samples")
save("time_without_samples.csv", "Time (s)\n" + "\n".join(T) + "\n", "no_samples", 2)
save("times_only_two_columns.csv", "No.,Time (s)\n" + "".join(f"{i},{t}\n" for i, t in enumerate(T)), "no_samples", 2)
save("wav_without_samples.wav", b"RIFF" + struct.pack("<I", 36) + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, 8000, 16000, 2, 16) + b"data" + struct.pack("<I", 0), "no_samples")
save("wav_without_data_chunk.wav", b"RIFF" + struct.pack("<I", 28) + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, 8000, 16000, 2, 16), "unreadable")

# No capture -------------------------------------------------------------------------------------
save("prose.txt", "The amplifier hums when the lead touches the bench.\nIt stops when the lead is lifted.\n", "unsupported_format")
save("web_page.csv", "<!DOCTYPE html>\n<html><body><table><tr><td>0.1</td></tr></table></body></html>\n", "unsupported_format")
save("xml.csv", '<?xml version="1.0"?>\n<capture rate="1000"><v>0.1</v></capture>\n', "unsupported_format")
save("json.txt", '{"rate": 1000, "volts": [0.1, 0.2]}\n', "unsupported_format")
save("rich_text.txt", "{\\rtf1\\ansi time volts}\n", "unsupported_format")
save("gzip.csv", gzip.compress(table().encode(), mtime=0), "unsupported_format")
save("zip.csv", b"PK\x03\x04\x14\x00\x00\x00\x08\x00" + bytes(range(60)), "unsupported_format")
save("pdf.txt", b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n1 0 obj\n", "unsupported_format")
save("picture.csv", b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "unsupported_format")
save("spreadsheet_binary.csv", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(64), "unsupported_format")
save("flac.wav", b"fLaC\x00\x00\x00\x22" + bytes(34), "unsupported_format")
save("ogg.wav", b"OggS\x00\x02" + bytes(40), "unsupported_format")
save("aiff.wav", b"FORM\x00\x00\x00\x40AIFFCOMM" + bytes(40), "unsupported_format")
save("big_endian_riff.wav", b"RIFX\x00\x00\x00\x24WAVE" + bytes(40), "unsupported_format")
save("zero_bytes.csv", bytes(300), "unsupported_format")
state, noise = 7, bytearray()
for _ in range(2000):
    state = (state * 6364136223846793005 + 1442695040888963407) % 2**64
    noise.append(state >> 56)
save("random_bytes.csv", bytes(noise), "unsupported_format")
save("comma_for_both.csv", "time,volts\n" + "".join(f"0,{i:03d},0,{100 + i}\n" for i in range(N)), "unsupported_format", 2)

# Bad cells --------------------------------------------------------------------------------------
save("word_in_cell.csv", table(replace={12: "0.010,abc"}), "bad_value", 12, 2)
save("word_in_first_row.csv", table(replace={2: "0.000,abc"}), "bad_value", 2, 2)
save("word_in_last_row.csv", table(replace={31: "0.029,abc"}), "bad_value", 31, 2)
save("word_in_time.csv", table(replace={12: "abc,0.1"}), "bad_value", 12, 1)
save("two_points.csv", table(replace={12: "0.010,0.1.2"}), "bad_value", 12, 2)
save("spectrum.csv", "Frequency (Hz),Level (V)\n" + "".join(f"{10 * i},0.1{i % 10}\n" for i in range(40)), "no_sample_rate")
save("two_signs.csv", table(replace={12: "0.010,--0.1"}), "bad_value", 12, 2)
save("letter_for_digit.csv", table(replace={12: "0.010,0.1O2"}), "bad_value", 12, 2)
save("hexadecimal.csv", table(replace={12: "0.010,0x1F"}), "bad_value", 12, 2)
save("exponent_cut.csv", table(replace={12: "0.010,1.5E"}), "bad_value", 12, 2)
save("two_numbers_in_cell.csv", table(replace={12: "0.010,0.1 0.2"}), "bad_value", 12, 2)
save("control_character.csv", table(replace={12: "0.010,0.1\x07"}), "bad_value", 12, 2)
save("foreign_digits.csv", table(replace={12: "0.010,\u0661\u0662"}), "bad_value", 12, 2)
save("clock_in_value.csv", table(replace={12: "0.010,12:00:01"}), "bad_value", 12, 2)
save("date_in_value.csv", table(replace={12: "0.010,2025-03-14"}), "bad_value", 12, 2)
save("clock_in_time.csv", table(replace={12: "12:00:00.010,0.1"}), "bad_value", 12, 1)
save("point_among_commas.csv", table([t.replace(".", ",") for t in T], [v.replace(".", ",") for v in V], {12: "0,010;0.1"}, delimiter=";"), "bad_value", 12, 2)
save("short_row.csv", table(replace={12: "0.010"}), "bad_value", 12, 2)
save("short_last_row.csv", table(replace={31: "0.029"}), "bad_value", 31, 2)
save("long_row.csv", table(replace={12: "0.010,0.1,0.2"}), "bad_value", 12, 3)
save("remark_between_rows.csv", table(replace={12: "ERROR: buffer overrun"}), "bad_value", 12, 1)
save("word_third_column.csv", "t,a,b\n" + "".join(f"{t},{v},{'x1' if i == 20 else v}\n" for i, (t, v) in enumerate(zip(T, V))), "bad_value", 22, 3)
save("word_after_preamble.csv", "Sample Rate,1000\nCoupling,DC\n\n" + table(replace={12: "0.010,abc"}), "bad_value", 15, 2)
save("word_crlf.csv", table(replace={12: "0.010,abc"}, end="\r\n"), "bad_value", 12, 2)
save("word_cr_only.csv", table(replace={12: "0.010,abc"}, end="\r"), "bad_value", 12, 2)
save("word_utf16.csv", b"\xff\xfe" + table(replace={12: "0.010,abc"}).encode("utf-16-le"), "bad_value", 12, 2)
save("word_latin1.csv", "Zeit [s];Br\u00fccke [V]\n".encode("latin-1") + table(header=None, replace={11: "0.010;gr\u00f6\u00dfer"}, delimiter=";").encode("latin-1"), "bad_value", 12, 2)
save("word_quoted.csv", table([f'"{t}"' for t in T], [f'"{v}"' for v in V], {12: '"0.010","abc"'}), "bad_value", 12, 2)
save("word_blanks.txt", table(replace={12: "  0.010   abc"}, delimiter="  ", header="time volts"), "bad_value", 12, 2)
save("word_one_column.csv", "volts\n" + "".join(("abc" if i == 20 else v) + "\n" for i, v in enumerate(V)), "bad_value", 22, 1, options={"sample_rate_hz": 1000})
save("word_sideways.csv", "Time," + ",".join(T) + "\nCH1," + ",".join(v if i != 20 else "abc" for i, v in enumerate(V)) + "\n", "bad_value", 2, 22)

# No rate ----------------------------------------------------------------------------------------
save("one_column.csv", "volts\n" + "\n".join(V) + "\n", "no_sample_rate")
save("two_signals.csv", "CH1,CH2\n" + "".join(f"{v},{w}\n" for v, w in zip(V, V[::-1])), "no_sample_rate")
save("index_only.csv", "Index,CH1\n" + "".join(f"{i},{v}\n" for i, v in enumerate(V)), "no_sample_rate")
save("time_stands_still.csv", table(["0.0"] * N), "no_sample_rate", 2)
save("date_only.csv", "Date,CH1\n" + "".join(f"2025-03-14,{v}\n" for v in V), "no_sample_rate")
save("rate_negative.csv", "Sample Rate,-1000\nCH1\n" + "\n".join(V) + "\n", "no_sample_rate")
save("rate_zero.csv", "Sample Rate,0\nCH1\n" + "\n".join(V) + "\n", "no_sample_rate")
save("rate_word.csv", "Sample Rate,fast\nCH1\n" + "\n".join(V) + "\n", "no_sample_rate")
save("one_row.csv", "time,volts\n0.000,0.1\n", "too_short", 2)

# Uneven times -----------------------------------------------------------------------------------
def stamped(times):
    return table([f"{t:.6f}" for t in times])


even = [i * 0.001 for i in range(N)]
save("time_descending.csv", stamped(even[::-1]), "uneven_sampling", 3)
save("time_geometric.csv", stamped([0.001 * 1.3**i for i in range(N)]), "uneven_sampling", None)
save("time_jumps_back.csv", stamped([t if i < 15 else t - 0.010 for i, t in enumerate(even)]), "uneven_sampling", 17)
save("time_row_repeated.csv", stamped(even[:15] + [even[14]] + even[15:29]), "uneven_sampling", 17)
save("time_shifts_by_part.csv", stamped([t if i < 15 else t + 0.0007 for i, t in enumerate(even)]), "uneven_sampling", 17)
save("time_gap_too_long.csv", stamped([t if i < 15 else t + 0.1 for i, t in enumerate(even)]), "uneven_sampling", 17)
save("time_doubles_rate.csv", stamped([t if i < 20 else even[20] + (i - 20) * 0.0005 for i, t in enumerate(even)]), "uneven_sampling", None)
save("time_one_stamp_wrong.csv", stamped([t if i != 15 else 9.0 for i, t in enumerate(even)]), "uneven_sampling", 17)
save("time_clock_jumps_back.csv", "Time,CH1\n" + "".join(f"12:00:00.{500 + i if i < 15 else 480 + i:03d},{v}\n" for i, v in enumerate(V)), "uneven_sampling", 17)
save("time_starts_again.csv", table(T[:15] + T[:15]), "uneven_sampling", 17)
save("time_uneven_sideways.csv", "Time," + ",".join(f"{t if i < 15 else t + 0.0007:.6f}" for i, t in enumerate(even)) + "\nCH1," + ",".join(V) + "\n", "uneven_sampling", 1, 17)


# Bad recordings ---------------------------------------------------------------------------------
def wav(tag=1, channels=1, rate=8000, block=2, bits=16, length=16, data=bytes(200)):
    body = struct.pack("<HHIIHH", tag, channels, rate, rate * block, block, bits)[:length]
    return b"RIFF" + struct.pack("<I", 20 + len(body) + len(data)) + b"WAVEfmt " + struct.pack("<I", len(body)) + body + b"data" + struct.pack("<I", len(data)) + data


save("wav_header_cut.wav", b"RIFF\x24\x00\x00\x00", "unreadable")
save("wav_without_format.wav", b"RIFF" + struct.pack("<I", 212) + b"WAVEdata" + struct.pack("<I", 200) + bytes(200), "unsupported_format")
save("wav_format_cut.wav", wav(length=10), "unreadable")
save("wav_no_channels.wav", wav(channels=0), "unsupported_format")
save("wav_no_rate.wav", wav(rate=0), "no_sample_rate")
save("wav_no_block.wav", wav(block=0), "unsupported_format")
save("wav_block_uneven.wav", wav(channels=2, block=3), "unsupported_format")
save("wav_adpcm.wav", wav(tag=2, bits=4), "unsupported_format")
save("wav_mu_law.wav", wav(tag=7, bits=8, block=1), "unsupported_format")
save("wav_mpeg.wav", wav(tag=0x55, bits=0, block=1), "unsupported_format")
save("wav_half_float.wav", wav(tag=3, bits=16, block=2), "unsupported_format")
save("wav_wide_integer.wav", wav(bits=64, block=8), "unsupported_format")
save("wav_unknown_tag.wav", wav(tag=0x1234), "unsupported_format")
save("avi.wav", b"RIFF\x24\x00\x00\x00AVI LIST" + bytes(40), "unsupported_format")
save("wav_chunk_beyond_end.wav", b"RIFF\x24\x00\x00\x00WAVEjunk\xf0\xff\xff\xff" + bytes(40), "unreadable")

(HERE / "expected.json").write_text(json.dumps(EXPECTED, indent=1) + "\n")
print(len(EXPECTED), "files")
