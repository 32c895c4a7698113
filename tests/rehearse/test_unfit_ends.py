"""A stop that is announced with a sequence number that does not fit: the number is why it is not believed.

The bit and the three packets are those of ANSI E1.31-2018 6.2.6; that none is believed out of its series is common
practice, no source.
"""

from __future__ import annotations

from tests.rehearse.theatre import played


def test_evidence_does_not_deny_the_packet_that_came() -> None:
    (lost,) = played("closes-with-unfit-numbers")[0].incidents
    assert any("does not fit" in line for line in lost.evidence)
    assert not any("without" in line for line in lost.evidence)


def test_of_a_stop_without_any_such_packet_it_says_so() -> None:
    (lost,) = played("source-died")[0].incidents
    assert any("without the stream-terminated bit" in line for line in lost.evidence)
