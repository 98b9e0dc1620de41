"""Some characters did not arrive: a line or a program that takes them for its own."""

from imgkit.explanation.by_stream import StreamCause
from imgkit.explanation.characters import Dropped


class CharactersDropped(StreamCause):
    kind = "characters-dropped"
    advice = (
        "Something on the way takes these characters for its own: a text mode, a terminal line, flow control. Copy "
        "again in a binary mode over a line that passes all eight bits: everything after the first one that was "
        "dropped is out of place as well."
    )
    rules = (Dropped,)
