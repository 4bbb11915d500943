"""How large a score file may be.

Each bound is far above any piece for one guitar, and low enough that no file, whatever it
claims, can take more than a few seconds and some 300 MB.
"""

MAX_FILE_BYTES = 16 * 2**20  # whole operas come to about 15 MB of XML; guitar pieces to under 1 MB
MAX_MXL_BYTES = 8 * 2**20  # a compressed score is a tenth of its XML; also bounds the archive's list of files
MAX_TAGS = 1_000_000  # "<" or "=" in the text: about 500,000 elements, 60 times a dense guitar piece
MAX_DEPTH = 60  # elements within elements; MusicXML itself goes about 10 deep
MAX_WRITTEN_BARS = 5_000  # the longest guitar works have some hundreds
MAX_PERFORMED_BARS = 20_000  # repeats played: more than ten hours at four beats and 120 a minute
MAX_PERFORMED_NOTES = 200_000
MAX_DIVISIONS = 1_000_000  # parts of a quarter note; programs use 1 to some thousands, MIDI 32,767 at most
MAX_BAR_QUARTERS = 256  # quarter notes in one bar: unmeasured preludes written as one long bar fit
MAX_TIMES = 1_000  # rounds of one repeat (more would pass the limit on bars anyway)
MAX_TEXT = 300  # characters of a title or a direction's words that are kept
MAX_VOICE = 100  # voice numbers, which the notes hold in one byte
