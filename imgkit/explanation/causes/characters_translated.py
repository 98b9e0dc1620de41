"""Characters were translated on the way, such as line ends and tabs: a transfer as text."""

from imgkit.explanation.by_stream import StreamCause
from imgkit.explanation.characters import LineEnds, Replaced, TabsExpanded


class CharactersTranslated(StreamCause):
    kind = "characters-translated"
    advice = (
        "The transfer was made as text, which changes every byte that looks like one of these characters. Copy again "
        "in binary mode: where lengths changed, everything after the first of them is out of place as well."
    )
    rules = (Replaced, LineEnds, TabsExpanded)
