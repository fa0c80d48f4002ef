"""One catalogue of all sentences that a person reads, and what they are in other languages.

English is what the program says, keeps and signs. Where it is shown, :func:`translated` recognises the sentences that a text was
made of and gives them in another language, so that old signed records are shown in it too and no record is ever touched.
"""

from audit.wording.catalogue import LANGUAGES, label, language_of, why_not
from audit.wording.numbers import localised
from audit.wording.recognise import in_pieces, translated

__all__ = ["LANGUAGES", "in_pieces", "label", "language_of", "localised", "translated", "why_not"]
