"""The names that loggers give to their clock, as `channel_aliases` has them for channels."""

TIME_ALIASES = (
    "time, t, timestamp, time stamp, elapsed, elapsed time, log time, logtime, seconds, sec, secs, s, ms, msec, "
    "milliseconds, millis, micros, time ms, time s, time sec, zeit, zeitstempel, zeit s, temps, heure, horodatage, "
    "tiempo, hora, clock, time of day, utc, utc time, gps time, local time, systime, system time, device time, date "
    "time, datetime, date, datum, fecha, fecha hora, date heure, datum zeit, datum uhrzeit, uhrzeit, runtime, run "
    "time, session time, epoch, unix time, time unix, unix timestamp, time since start, relative time, rel time, "
    "timecode, time code, sample time, ecu time, recording time, tempo s, marca de tiempo, offset, time offset, "
    "laufzeit, tijd, record time, uptime, elapsed seconds, timestamps"
)

# Time in one language and road speed in another: a clock where the unit says so, or where it only ever rises.
TIME_OR_SPEED = ("tempo",)
