"""Every sentence of ``coach pedal``, in one place, ready to translate."""

from __future__ import annotations

FORGOTTEN = "The foot switches are forgotten."
LISTENING = "Listening to {ports}."
PRESS_FIRST = "Press the switch that shall go forward, and let it go.  (Enter: leave all as it was)"
PRESS_SECOND = "Now press the switch that shall go back, and let it go.  (Enter: there is only one)"
HEARD = "Heard: {switch}."
ONE_PORT = "Both switches must come by one port, “{port}”."
NOTHING_LEARNT = "Nothing was learnt; all is as it was."
LEARNT_TWO = "Learnt at “{port}”: forward is {forward}; back is {back}."
LEARNT_ONE = "Learnt at “{port}”: forward is {forward}; there is no switch to go back."
ITS_OWN_PORT = (
    "“{port}” is the pedal's own from now on, and never taken for the guitar's; if the guitar comes by it "
    "too, play once with --port."
)
SAVED = "Saved: {path}"
AWAY = {  # by the state of the pedal's own port
    "lost": "The foot switch is unplugged; the keys still work.",
    "waiting": "The foot switch is not plugged in; the keys still work.",
}
UNHEARD = "The foot switch is not heard now; the keys still work."
BACK = "The foot switch is there again."
