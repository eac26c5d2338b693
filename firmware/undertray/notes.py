"""The notes that go with a stream, put together without allocation: status and fault."""

from undertray.sensors import CRC, NACK, PART, SATURATED
from undertray.wire import Line

__all__ = ["Notes", "put_all"]

_WHY = {NACK: b'"nack"', CRC: b'"crc"', PART: b'"part"', SATURATED: b'"saturated"'}


def put_all(rings, line, n):
    """Queue a line on every link; gives whether any took it."""
    taken = False
    for ring in rings:
        taken = ring.put(line, n) or taken
    return taken


class Notes:
    """Writes the notes of one rig into one buffer."""

    def __init__(self, rig, rings):
        self._rig = rig
        self._rings = rings
        self.line = Line()
        self._names = [('"' + column.name + '"').encode() for column in rig.parts]
        self._sensors = [column.sensor for column in rig.columns]
        self._second_words = any("kind" in sensor.describe()["scale"] for sensor in self._sensors)

    def status(self, now, skipped, errors, free_bytes, store=None):
        """Queue the status note on every link, each with the lines that it dropped itself."""
        for ring in self._rings:
            if not ring.shut:
                self._status(ring, now, skipped, errors, free_bytes, store)

    def _status(self, ring, now, skipped, errors, free_bytes, store):
        line = self.line
        line.begin(b'#status,{"t_us":')
        line.number(now)
        line.text(b',"temperature_c":')
        mark = b"["
        for sensor in self._sensors:
            line.text(mark)
            mark = b","
            if sensor.temperature_centi is None:
                line.text(b"null")
            else:
                line.hundredths(sensor.temperature_centi)
        line.text(b"]")
        if self._second_words:
            self._put_second_words(line)
        line.text(b',"pack_mv":')
        if self._rig.pack is None:
            line.text(b"null")
        else:
            line.number(self._rig.pack.millivolts())
        line.text(b',"skipped":')
        line.number(skipped)
        line.text(b',"dropped":')
        line.number(ring.dropped)
        line.text(b',"read_errors":')
        mark = b"["
        for count in errors:
            line.text(mark)
            mark = b","
            line.number(count)
        line.text(b'],"free_bytes":')
        line.number(free_bytes)
        if store is not None and store.state:
            line.text(b',"store":')
            line.text(store.told())
            line.text(b',"missing_rows":')
            line.number(store.missing)
        ring.put(line.buf, line.end())

    def _put_second_words(self, line):
        line.text(b',"second":')
        mark = b"["
        for sensor in self._sensors:
            line.text(mark)
            mark = b","
            if sensor.second_word is None:
                line.text(b"null")
            else:
                line.number(sensor.second_word)
        line.text(b"]")

    def fault(self, i, code, now, detail):
        """Queue a fault note of column ``i``; gives whether any link took it."""
        line = self.line
        line.begin(b'#fault,{"column":')
        line.text(self._names[i])
        line.text(b',"why":')
        line.text(_WHY[code])
        if detail:
            line.text(b',"detail":"')
            line.text(detail)
            line.text(b'"')
        line.text(b',"t_us":')
        line.number(now)
        return put_all(self._rings, line.buf, line.end())
