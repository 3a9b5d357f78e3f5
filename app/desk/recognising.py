"""Which ready text a pasted message asks for, by the words that customers use. Pure.

    asked_for("Hello, we are moving house in May")  # "moving"

What a message says of damage, of cancelling or of a move outweighs what it says besides: each of
these is worse to overlook than to open in vain.
"""

import re
from collections.abc import Mapping

_MORE = r"(another|one more|a second|an extra|more copies|extra cop|an additional|to add)"
_ALTER = r"(chang|alter|switch|swap|different|instead|bigger|smaller|correct the)"
# In the order in which they are looked for; the keys are those of desk.answers.
_WORDS: Mapping[str, re.Pattern[str]] = {
    key: re.compile(words, re.IGNORECASE | re.DOTALL)
    for key, words in (
        ("damaged", r"\b(broke|broken|damage|damaged|snapped|chipped|crack|cracked|came off|in "
                    r"pieces|complain|complaint|disappointed|unhappy|not happy|wrong colou?r|"
                    r"fault|faulty|loose|smashed)\b"),
        ("cancel", r"\b(cancel\w*|call(ing)? (it|this) off|don.?t want (it|them) any|no longer "
                   r"want|withdraw\w*|my money back|refund\w*|back out)\b"),
        ("moving", r"\b(moving|moved|move) (house|home|flat|away|out|to)\b|\bnew address\b|"
                   r"\baddress (has|is|will) (chang|be|now|differ)\w*|\bchange (of|my|our|the) "
                   r"(postal |delivery )?address\b"),
        ("too_late", r"\btoo late\b|\bstill (time|possible)\b|\bin time to (add|change)\b|"
                     r"\bleft it late\b"),
        ("add", rf"\b{_MORE}\b.*\b(cop(y|ies)|one|figure|likeness|piece|her|him|them|too|sister|"
                r"brother)\b|\border (another|a second|one more)\b"),
        ("change", rf"\b{_ALTER}\w*.*\b(pose|size|base|inscription|lettering|wording|spelling|plate"
                   r"|lying|standing|sitting|anything|something)\b|\bmisspel\w*|\bspelt wrong\b"),
        ("by_a_day", r"\b(in time for|by (the )?\d|before (the )?\d|(by|before|for) (christmas|her|"
                     r"his|their|our|my|easter|the wedding|the birthday|mon|tue|wed|thu|fri|sat|sun"
                     r"|jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)\w*)\b"),
        ("lent", r"\b(collar|halter|lock of hair|ashes|prints|(what|that) (i|we) lent)\b.*"
                 r"\b(still|back|safe|return\w*)\b|\bstill have (my|our|the|her|his)\b"),
        ("parcel", r"\b(parcel|tracking|track it|delivered|delivery|shipped|dispatched|posted it|"
                   r"courier|carrier)\b"),
        ("usable", r"\b(good enough|usable|can you (use|work)|work (from|with)|blurry|blurred|sharp"
                   r" enough|clear enough|any good)\b"),
        ("arrived", r"\b(did|have|has) .*\b(photo|picture|image|file|link)\w*\b.*\b(arrive|come|"
                    r"reach|get|got|receive)|\b(receive|got|get)\w* (my|our|the) "
                    r"(photo|picture|image|file|link)"),
        ("how_long", r"\b(how long|how much longer|when (will|can|is|are|do|does|might)|any news|"
                     r"any update|how is (it|he|she)|how are (they|things)|progress|ready yet|"
                     r"getting on|far along)\b"),
    )
}  # fmt: skip


def asked_for(message: str) -> str:
    """The key of the ready text that a message asks for; empty where its words do not tell."""
    return next((key for key, words in _WORDS.items() if words.search(message)), "")
