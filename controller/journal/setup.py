"""What a run was set to, as the text that its start row carries: rules, options, settings."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from controller.rules.rulings import RuleSet, Ruling
from controller.rules.settings import Settings


def setup_text(
    rules: RuleSet,
    fingerprint: str,
    settings: Settings,
    *,
    options: Iterable[tuple[str, str]] = (),
    asked_as: str = "",
) -> str:
    """The setup as JSON: title and season of the rule set with its ``fingerprint``, the
    ``options`` chosen, every ruling that a local adoption replaced, and every setting.

    ``asked_as`` is how the rule set was asked for; of a file of the crew's own its name is noted
    without its folders, which may say whose computer it is.
    """
    own_file = Path(asked_as).name if "/" in asked_as or asked_as.endswith(".toml") else ""
    adopted = {**rules.rulings, **rules.variants}
    return json.dumps(
        {
            "rules": f"{rules.title} {rules.season}",
            "code": rules.code,
            "in_force_since": rules.season_from,
            "fingerprint": fingerprint,
            "own_file": own_file,
            "options": dict(options),
            "overrides": {name: _adopted(each) for name, each in adopted.items() if each.override},
            "settings": asdict(settings),
        }
    )


def _adopted(ruling: Ruling) -> Mapping[str, Any]:
    return {
        "seconds": ruling.seconds,
        "starts_on": ruling.starts_on.value,
        "because": ruling.override,
    }


def setup_words(text: str) -> str:
    """The same in words for a reader; a text that is none of ours comes back as it is."""
    try:
        setup = json.loads(text)
        parts = [f"rules {setup['rules']} ({setup['fingerprint']})"]
        if setup["own_file"]:
            parts.append(f"own file {setup['own_file']}")
        parts += [f"option {name} = {value}" for name, value in setup["options"].items()]
        parts += [
            f"{name.replace('_', ' ')} {each['seconds']} ({each['because']})"
            for name, each in setup["overrides"].items()
        ]
        settings = setup["settings"].items()
        parts.append(f"settings {', '.join(f'{name} {value:g}' for name, value in settings)}")
    except (ValueError, TypeError, KeyError, AttributeError):
        return text
    return "; ".join(parts)
