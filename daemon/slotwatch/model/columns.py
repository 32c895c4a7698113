"""The columns of the two tables that rules read: streams and universes.

The model writes them, the judge only reads them. All times are monotonic nanoseconds, 0 for never. A row
is valid where `used` is true. Window columns are brought up to date by `Model.advance(now_ns)`, every 100 ms
bucket; a window of 5 s is 50 whole buckets and therefore ends at most 100 ms before now. Totals, percentiles
and the universe table follow in `advance` too; times, sequence and levels of streams with each batch.
"""

from __future__ import annotations

STREAM: tuple[tuple[str, str], ...] = (
    ("used", "?"),
    ("universe", "<i4"),  # row of the universe table
    ("source", "<i4"),  # row of the source table
    ("network", "<u2"),
    ("protocol", "u1"),
    ("number", "<u2"),  # universe number on the wire
    ("generation", "<u4"),  # rises when an evicted row is used for another stream
    ("live", "?"),  # frames arrive: not silent over its timeout, not terminated, not preview only
    ("timeout_ns", "<i8"),  # loss timeout of its universe
    # --- when
    ("since_ns", "<i8"),  # first frame since it was last lost or terminated: the oldest of equal streams
    ("last_arrival_ns", "<i8"),  # last frame that arrived, even if its sequence number made it discarded
    ("last_wrong_group_ns", "<i8"),  # last packet sent to another universe's group
    ("wrong_group", "<u2"),  # whose group that was; 0: no universe's
    ("first_frame_ns", "<i8"),
    ("last_frame_ns", "<i8"),  # last accepted live frame: start code 0, not preview, terminated or discarded
    ("prev_frame_ns", "<i8"),
    ("last_packet_ns", "<i8"),  # anything of this stream, accepted or not
    ("return_ns", "<i8"),  # first packet after its last silence over its timeout
    ("last_change_ns", "<i8"),
    ("last_preview_ns", "<i8"),
    ("last_terminated_ns", "<i8"),
    ("last_unfit_end_ns", "<i8"),  # last packet that announced its end with a number that does not fit
    ("last_false_end_ns", "<i8"),  # last packet that announced its end while it went on: it is not believed
    ("strange_ends_since_ns", "<i8"),  # since when either has come, see `model.announced_ends.DOUBTED_NS`
    ("last_slot_priority_ns", "<i8"),
    ("last_stray_ns", "<i8"),  # last packet without live levels, no end, whose number is far from its series
    ("lost_ns", "<i8"),  # when it was found lost (silence over its timeout, or terminated); 0 while live
    # --- as last sent
    ("sequence", "u1"),
    ("priority", "u1"),
    ("options", "u1"),
    ("slots", "<u2"),
    ("slots_before", "<u2"),  # the number of slots that it had before the present one, or `model.resizing.UNCHANGED`
    ("slot_turns", "<u2"),  # changes of that number to and fro, in a row
    ("slot_turn_ns", "<i8"),  # the last of them
    ("sync_address", "<u2"),
    ("slot_priority_slots", "<u2"),
    ("destination_kind", "u1"),  # `model.destinations.Destination`
    ("destination_universe", "<u2"),  # of the group, where it is one
    # --- counters since it appeared
    ("frames", "<u8"),
    ("packets", "<u8"),
    ("lost_frames", "<u8"),  # missing by sequence; 0 where it cannot be measured
    ("discarded", "<u8"),
    ("repeated", "<u8"),  # same sequence as the last accepted
    ("preview", "<u8"),
    ("terminated", "<u8"),
    ("false_ends", "<u4"),  # such packets in a row, without a pause of `model.endings.PAUSE_NS`
    ("changes", "<u8"),
    ("late", "<u8"),  # of the discarded: came after a younger one, so was not lost
    ("max_step", "u1"),  # largest change of any slot in the newest frame
    # --- sequence habits over the last 10 s
    ("sequence_measurable", "?"),  # false: Art-Net 0, or stuck, or unusable
    ("sequence_stuck", "?"),  # E1.31: same number in every one of the last 10 or more packets
    ("sequence_step", "u1"),  # commonest step of the last 10 s, 0 if none is commonest
    ("interleaved", "u1"),  # how plainly its numbers are of two series, see `model.interleaving`
    ("interleaved_since_ns", "<i8"),  # when that was first counted, and last
    ("interleaved_ns", "<i8"),
    ("return_step", "u1"),  # from the last number before its last loss to the first one after it; 0: it had none
    # --- idle times
    ("equal_frames", "<u2"),  # successive frames equal to their predecessor, up to now
    ("pauses", "<u2"),  # long pauses in a row while its levels moved
    ("pauses_began_ns", "<i8"),  # when the first of them began
    ("pause_end_ns", "<i8"),  # when the last of them ended, to a tenth of a second
    ("pauses_longest_us", "<u4"),  # the longest of them
    ("pauses_lost_before", "<u8"),  # its `lost_frames` when the first of them ended
    # --- windows (sums over 1, 5 or 10 s of 100 ms buckets)
    ("frames_1s", "<u4"),
    ("frames_5s", "<u4"),
    ("frames_10s", "<u4"),
    ("changed_5s", "<u4"),  # frames unlike their predecessor in any slot
    ("stepped_5s", "<u4"),  # frames that differ by 4 or more in some slot
    ("lost_10s", "<u4"),
    ("discarded_10s", "<u4"),
    ("copies_5s", "<u4"),  # same sequence (not 0) and same bytes within 10 ms
    ("packets_5s", "<u4"),
    ("uneven_10s", "<u4"),  # gaps over 3 x median and 100 ms with levels changing right before and after
    ("max_gap_10s_ns", "<i8"),
    ("lost_of_last_10", "u1"),  # of the last 10 frames due by sequence, how many never came
    # --- norms
    ("median_interval_ns", "<i8"),  # of the last 60 s (at most the last 512 intervals)
    ("best_moving_hz", "<f4"),  # best mean rate of any 5 s in which 80 % of frames stepped
    ("moving_known_s", "<f4"),  # seconds of such movement seen so far
)

UNIVERSE: tuple[tuple[str, str], ...] = (
    ("used", "?"),
    ("network", "<u2"),
    ("protocol", "u1"),
    ("number", "<u2"),
    ("declared", "<i4"),  # index into House.universes, -1
    ("generation", "<u4"),  # rises when a forgotten row is used for another universe
    ("streams", "<u2"),  # rows of the stream table that belong to it, live or not
    ("last_arrival_ns", "<i8"),  # like the stream's: a frame arrived, even if discarded by its sequence
    ("expected", "?"),
    ("loss_timeout_ns", "<i8"),
    ("min_refresh_hz", "<f4"),
    ("first_frame_ns", "<i8"),
    ("last_frame_ns", "<i8"),  # of any stream
    ("last_preview_ns", "<i8"),
    ("last_change_ns", "<i8"),
    ("frames", "<u8"),
    ("live", "<u2"),  # streams that are neither lost nor terminated
    ("winner", "<i4"),  # stream row with the highest priority (then the longest there), -1
    ("contenders", "<u2"),  # live streams at the winning priority
    ("slots", "<u2"),  # most slots of any live stream at the winning priority
    ("joined", "i1"),  # 1 joined, 0 not asked for, -1 failed
    ("left_ns", "<i8"),  # when this computer left its group, 0: it did not, or joined it again
)

MAX_SOURCES = 4096
MAX_STREAMS = 8192
"""A main and a backup on each of the 4,034 universes that a full gigabit carries at 44 Hz."""
MAX_SOURCES_PER_UNIVERSE = 64
MAX_ADDRESSES = 64
"""Of one identity on one network."""
