"""The kit table of `rules.kit_states` as SQL, so that the database refuses what the rules refuse."""

from studylab.allocation.rules.kit_states import CHANGES, IN_STOCK

_CASES = " ".join(f"WHEN '{what}' THEN '{change.after}'" for what, change in CHANGES.items())

# {kit} is the id of a kit. The highest id is the last line: lines of one kit are written under its lock.
WHAT_OF_LAST_LINE = "(SELECT m.what FROM allocation_kitmovement m WHERE m.kit_id = {kit} ORDER BY m.id DESC LIMIT 1)"
STATE_OF_LAST_LINE = f"(CASE {WHAT_OF_LAST_LINE} WHEN 'receive' THEN '{IN_STOCK}' {_CASES} END)"


def line_may_follow() -> str:
    """Return the condition on a new ledger line: its kit is in a state from which it may start."""
    ways = " OR ".join(
        "(NEW.what = '{}' AND k.state IN ({}))".format(
            what, ", ".join(f"'{state}'" for state in change.before)
        )
        for what, change in CHANGES.items()
    )
    return f"""
        CASE WHEN NEW.what = 'receive' THEN
            NOT EXISTS (SELECT 1 FROM allocation_kitmovement m WHERE m.kit_id = NEW.kit_id)
        ELSE
            EXISTS (SELECT 1 FROM allocation_kit k WHERE k.id = NEW.kit_id AND ({ways}) FOR UPDATE)
            AND (NEW.what <> 'release' OR NOT EXISTS (
                SELECT 1 FROM allocation_kitmovement m
                WHERE m.kit_id = NEW.kit_id AND m.what IN ('dispense', 'lose')))
        END"""  # noqa: S608 - built from the constants of a table


def refuse_other_state() -> str:
    """Return the body of the trigger that compares a kit with its newest line when a transaction ends."""
    state = STATE_OF_LAST_LINE.format(kit="NEW.kit_id")
    return f"""
        IF NOT EXISTS (
            SELECT 1 FROM allocation_kit k WHERE k.id = NEW.kit_id AND k.state = {state}
        ) THEN
            RAISE EXCEPTION USING
                MESSAGE = 'The kit is not in the state that its ledger says.',
                ERRCODE = 'check_violation', CONSTRAINT = 'SL001_state_follows_line';
        END IF;
        RETURN NULL;
    """  # noqa: S608 - built from the constants of a table
