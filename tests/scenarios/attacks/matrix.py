"""All attacks, by the rows of ``hardware/THREATS.md`` and the rules of ``hardware/PROTOCOL.md``."""

from __future__ import annotations

from typing import Final

from tests.scenarios.attacks import on_computer, on_handset, on_node, on_receiver
from tests.scenarios.attacks.on_air import (
    acknowledged_replayed,
    by_whoever_holds_a_handset,
    hello_replayed,
    jam_and_replay,
    old_ages,
    on_a_rig,
    recorded_before,
    spare_has_the_handset,
    versions,
)
from tests.scenarios.attacks.on_pair import (
    copied_id,
    copied_id_far_ahead,
    damaged_answers,
    forged_answers_for_a_dead_board,
    one_far_ahead,
    second_controller,
    speaks_first,
)
from tests.scenarios.attacks.tally import Attack

SERVICE, RECEIVER, PROGRAM = "service", "receiver", "program"
HANDSET, NODE = "handset firmware", "board firmware"
GCC, WAITS = ("needs_gcc",), ("waits",)

OVER_THE_AIR: Final = (
    Attack("made-up presses", RECEIVER, on_receiver.made_up, many=10),
    Attack("damaged presses", RECEIVER, on_receiver.damaged_frames, many=6),
    Attack("beats wrapped", RECEIVER, on_receiver.beats_wrapped),
    Attack("last beats of a session", RECEIVER, on_receiver.last_beats),
    Attack("presses of another session", RECEIVER, on_receiver.recorded_in_another_session),
    Attack("spare computer", RECEIVER, on_receiver.spare_computer),
    Attack("two HELLOs at once", RECEIVER, on_receiver.hellos_of_both, many=10),
    Attack("HELLO recorded", RECEIVER, on_receiver.hellos_recorded),
    Attack("acknowledged press replayed", SERVICE, on_a_rig(acknowledged_replayed)),
    Attack("HELLO replayed", SERVICE, on_a_rig(hello_replayed)),
    Attack("jam and replay", SERVICE, on_a_rig(jam_and_replay)),
    Attack("age over a second", SERVICE, on_a_rig(old_ages)),
    Attack("other versions, both links", SERVICE, on_a_rig(versions)),
    Attack("spare computer has the handset", SERVICE, on_a_rig(spare_has_the_handset)),
    Attack("presses of before a wipe", SERVICE, recorded_before),
    Attack("another handset's keys", SERVICE, on_a_rig(by_whoever_holds_a_handset)),
    Attack("presses of before a wipe", PROGRAM, on_computer.program_replayed, needs=WAITS),
    Attack("beats wrapped", HANDSET, on_handset.beats_wrapped, needs=GCC),
    Attack("beats far ahead", HANDSET, on_handset.beats_far_ahead, needs=GCC),
    Attack("STATE of all FF", HANDSET, on_handset.all_ff, needs=GCC),
    Attack("WELCOME replayed", HANDSET, on_handset.welcomes_replayed, many=20, needs=GCC),
    Attack("WELCOME held back", HANDSET, on_handset.welcomes_held_back, needs=GCC),
    Attack("STATEs of before", HANDSET, on_handset.states_of_before, needs=GCC),
    Attack("damaged STATEs", HANDSET, on_handset.damaged_frames, many=40, needs=GCC),
    Attack("made-up STATEs", HANDSET, on_handset.made_up, needs=GCC),
    Attack("two HELLOs at once", HANDSET, on_handset.asking_at_once, needs=GCC),
)
ON_THE_WIRE: Final = (
    Attack("second controller", SERVICE, on_a_rig(second_controller)),
    Attack("second controller first", SERVICE, on_a_rig(speaks_first)),
    Attack("copied controller id", SERVICE, on_a_rig(copied_id)),
    Attack("copied id, far ahead", SERVICE, on_a_rig(copied_id_far_ahead)),
    Attack("copied id, one far ahead", SERVICE, on_a_rig(one_far_ahead)),
    Attack("second node's STATUS", SERVICE, on_a_rig(damaged_answers)),
    Attack("STATUS for a dead board", SERVICE, on_a_rig(forged_answers_for_a_dead_board)),
    Attack("stamps wrapped", NODE, on_node.stamps_wrapped, needs=GCC),
    Attack("second controller", NODE, on_node.second_controller, many=10, needs=GCC),
    Attack("a numeral kept alive", NODE, on_node.strangers_do_not_feed, needs=GCC),
    Attack("damaged SHOWs", NODE, on_node.damaged_frames, many=4, needs=GCC),
)
AT_THE_TABLE: Final = (
    Attack("record cut or replaced", SERVICE, on_computer.record_cut),
    Attack("head removed", SERVICE, on_computer.heads_removed),
    Attack("record and head changed", PROGRAM, on_computer.paper_sheet, needs=WAITS),
    Attack("record cut after a kill", PROGRAM, on_computer.cut_after_a_kill, needs=WAITS),
    Attack(
        "another version at the cable",
        PROGRAM,
        on_computer.pairing_by_another_version,
        needs=WAITS,
    ),
    Attack("key file mode", PROGRAM, on_computer.key_file_modes),
)
ATTACKS: Final = (*OVER_THE_AIR, *ON_THE_WIRE, *AT_THE_TABLE)
