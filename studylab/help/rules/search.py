"""Finding a topic by plain words, misspelt ones too. Pure."""

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import lru_cache

from rapidfuzz import process
from rapidfuzz.distance import OSA

from studylab.access import Role
from studylab.help.rules.topics import Topic

LONGEST_QUERY = 80
# Where a word stands says how much it tells about the topic.
TITLE, WORDS, ABOUT, TEXT = 12.0, 9.0, 4.0, 1.5
STARTS, SLIPPED = 0.8, 0.6  # shares of that for a beginning of a word, and for a slip
WEAKEST = 0.2  # of the best: what fits less is not shown
OWN_ROLE = 1.15  # a topic for one's own role stands before an equal one of others
ENDINGS = frozenset({"s", "es", "d", "ed", "ing", "er", "ly"})


def words_of(text: str) -> list[str]:
    """Return the words of a text in small letters and without accents, in their order."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return re.findall(r"[a-z0-9]+", "".join(c for c in plain if not unicodedata.combining(c)))


# Words that say nothing about what is looked for.
EMPTY = frozenset(
    words_of(
        "a an and are at be been by can cannot did do does for from get has have how i if in is it its me my no not of"
        " on or our s so t that the them then there they this to was we what when where which who why will with you your"
    )
)


def find(topics: Iterable[Topic], query: str, roles: frozenset[Role] = frozenset()) -> list[Topic]:
    """Return the topics that fit `query`, the best first.

    Each word of the query counts once, by the best place in which it stands: as written, as a beginning, or (from
    four letters on) with a slip or two. Left out is a topic without half of the words, and what fits far less than the best.
    """
    said = [word for word in dict.fromkeys(words_of(query[:LONGEST_QUERY])) if word not in EMPTY]
    scored = []
    for place, topic in enumerate(topics):
        index = _index(topic)
        scores = [_score(word, index) for word in said]
        met = sum(score > 0 for score in scores)
        if not met or met * 2 < len(said):
            continue
        total = sum(scores) * (met / len(said)) ** 2 * (OWN_ROLE if topic.is_for(roles) else 1)
        scored.append((-total, place, topic))
    ranked = sorted(scored, key=lambda one: one[:2])
    return [topic for rank, _, topic in ranked if rank <= ranked[0][0] * WEAKEST]


@lru_cache(maxsize=512)
def _index(topic: Topic) -> Mapping[str, float]:
    """Return each word of a topic with the weight of the best place in which it stands."""
    weights: dict[str, float] = {}
    parts = ((TEXT, topic.text), (ABOUT, topic.about), (WORDS, topic.words), (TITLE, topic.title))
    for weight, text in parts:
        weights |= {word: weight for word in words_of(text) if word not in EMPTY}
    return weights


def _score(word: str, index: Mapping[str, float]) -> float:
    best = index.get(word, 0.0)
    if len(word) >= 3:
        starts = (
            weight * STARTS
            for other, weight in index.items()
            if other.startswith(word) or (word.startswith(other) and word[len(other) :] in ENDINGS)
        )
        best = max(best, *starts, 0.0)
    if best or len(word) < 4:
        return best
    slips = 1 if len(word) < 8 else 2
    near = process.extract(word, index.keys(), scorer=OSA.distance, score_cutoff=slips, limit=5)
    return max((index[other] * SLIPPED / (1 + far) for other, far, _ in near), default=0.0)
