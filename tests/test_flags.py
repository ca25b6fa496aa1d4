"""The register of quality flags."""

from __future__ import annotations

from foldtrue.flags import FLAGS, flags_page


def test_each_flag_has_a_sentence_and_advice():
    for name, flag in FLAGS.items():
        assert name == flag.name
        assert name.islower()
        assert flag.sentence.endswith(".")
        assert flag.advice.endswith(".")


def test_the_page_lists_every_flag():
    page = flags_page()
    assert all(f"`{name}`" in page and flag.advice in page for name, flag in FLAGS.items())
