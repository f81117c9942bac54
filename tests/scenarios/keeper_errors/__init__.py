"""Games kept by a keeper who errs: how long the boards are wrong, with and without the windows.

``python -m tests.scenarios.keeper_errors --seed 1 --games 20`` plays whole random games. What
happens on the field (``field``) goes two ways: to the truth (``truth``), which knows the rules from
their published facts (:mod:`tests.shared.published`) and nothing of the core; and to a keeper
(``keeper``), who errs at stated rates and whose presses go through gestures and play clock
(``played``). Wrong-numeral seconds are the time for which the two differ.
"""
