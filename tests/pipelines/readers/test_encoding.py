"""The encoding of a log is told from the few words in it that are not ASCII."""

from __future__ import annotations

import codecs

import pytest

from remanence.pipelines.readers.encoding import decode_sample

LOGS = {
    "German, Windows": ("cp1252", "Schlüsselkasten", "Tür Süd", "Geheimfach größer", "zu",
                        "geöffnet"),
    "French, Windows": ("cp1252", "tiroir à clé", "porte dérobée", "fenêtre", "fermé", "relâché"),
    "Polish, Windows": ("cp1250", "szuflada główna", "drzwi północ", "skrzynia źródło",
                        "zamknięty", "otwarte więc"),
    "Czech, ISO": ("iso8859_2", "zásuvka", "dveře jižní", "šuplík", "zavřeno", "otevřeno"),
    "Russian, Windows": ("cp1251", "ящик стола", "дверь север", "сейф", "закрыто", "открыто"),
    "Russian, KOI8": ("koi8_r", "ящик стола", "дверь север", "сейф", "закрыто", "открыто"),
    "Greek, Windows": ("cp1253", "συρτάρι", "πόρτα βορράς", "θυρίδα", "κλειστό", "ανοιχτό"),
    "Turkish, Windows": ("cp1254", "çekmece gizli", "kapı güney", "şifreli dolap", "kapalı",
                         "açıldı"),
    "Japanese": ("shift_jis", "引き出し", "扉北", "金庫", "閉", "開いた"),
    "Chinese": ("gb18030", "抽屉", "北门", "保险箱", "关闭", "打开"),
    "Chinese, traditional": ("big5", "抽屜", "北門", "保險箱", "關閉", "打開"),
    "Korean": ("euc_kr", "서랍", "북쪽 문", "금고", "닫힘", "열림"),
    "UTF-16 without a mark": ("utf-16-le", "drawer", "Tür", "vault", "on", "off"),
    "German, DOS": ("cp850", "Schlüsselkasten", "Tür Süd", "größer", "zu", "geöffnet"),
    "German, old Mac": ("mac_roman", "Schlüsselkasten", "Tür Süd", "größer", "zu", "geöffnet"),
}
NOT_TOLD = {"Polish, Windows", "Czech, ISO"}
"""Taken for another encoding of the same bytes: sniff asks whether the names look right."""


def log(words):
    _, *names, on, off = words
    return "time,channel,value\n" + "".join(
        f"2026-11-02T18:{i // 60:02d}:{i % 60:02d}.482Z,{names[i % 3]},{(on, off)[i % 2]}\n"
        for i in range(200))


@pytest.mark.parametrize("name", sorted(set(LOGS) - NOT_TOLD))
def test_the_text_comes_out_right(name):
    text = log(LOGS[name])
    assert decode_sample(text.encode(LOGS[name][0]), True)[0] == text


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_a_mark_or_valid_utf8_decides(encoding):
    text = log(LOGS["Japanese"])
    assert decode_sample(text.encode(encoding), True) == (text, encoding.removesuffix("-sig"))


def test_a_character_cut_in_two_at_the_end_is_no_reason_to_doubt_utf8():
    data = log(LOGS["Japanese"]).encode()
    assert decode_sample(data[: data.rindex("閉".encode()) + 1], False)[1] == "utf-8"


@pytest.mark.parametrize("name", sorted(LOGS))
def test_the_encoding_is_one_that_python_knows(name):
    text = log(LOGS[name])
    assert codecs.lookup(decode_sample(text.encode(LOGS[name][0]), True)[1])
