"""Documents compressed for keeping: DEFLATE that starts from words every document of ours has.

1. A health report alone is too short to be compressed well; begun with the field names it will use, it is a
   quarter as long. The words are a preset dictionary as zlib's format provides for (RFC 1950, section 2.2).
2. The stream names its dictionary by checksum. A dictionary is never changed: another is added, and the old
   one stays for what was written with it.
3. A stream without a dictionary is read as well.
4. A trace's step times stand apart from such a stream, as bytes: digits hardly shrink. Such a document begins
   with a byte that begins no zlib stream (RFC 1950, section 2.2: its low half would be 8).
"""

import zlib

from ebbmark_collector.store.step_times import put_back, take_out

_LEVEL = 6  # [1] zlib's own default

# The commonest last: a near word costs fewer bits than a far one (RFC 1951, section 3.2.5).
_WORDS = (
    b'{"segments":[{"offset_bytes":0.0,"offset_s":0.0,"duration_s":6.0,"written_bytes":2048000000,"ramp_s":0.0,'
    b'"plateaus":[{"start_s":0.0,"end_s":6.0,"start_byte":0,"end_byte":2048000000,"after_cliff":false}],'
    b'"lasting_bytes_per_s":300000000.0,"windows":[{"start_s":1.0,"end_s":1.0,"start_byte":304000000,'
    b'"end_byte":312000000},{"start_s":2.4,"end_s":2.6,"start_byte":720000000,"end_byte":760000000}],'
    b'"settling":{"steady":null,"needed_round_s":10.0,"plateau_s":6.0}}],"cliffs":[{"at_byte":0,"at_s":0.0,'
    b'"before_bytes_per_s":0.0,"after_bytes_per_s":0.0}],"stalls":{"count":0,"longest_s":null,"total_s":0,'
    b'"period_s":null,"listed":[]},"spread":{"slice_s":0.6,"median_bytes_per_s":300000000.0,'
    b'"robust_share":0.01,"quantiles":[[0.0,290000000.0],[0.01,290000000.0],[0.05,290000000.0],'
    b"[0.1,290000000.0],[0.25,300000000.0],[0.5,300000000.0],[0.75,300000000.0],[0.9,310000000.0],"
    b'[0.95,310000000.0],[0.99,310000000.0],[1.0,310000000.0]]},"pattern":{"shape":"flat","slide_share":0.0,'
    b'"sag_share":0.0,"dip_period_s":null,"dip_depth_share":null},"version":1}'
    b'{"probe_id":"probe-0123456789abcdef","kind":"spot","started_at":"2026-01-01T00:00:00.000000Z",'
    b'"duration_s":6.0,"outcome":"completed","gave_way_to":null,"bytes_written":2048000000,'
    b'"block_bytes":4194304,"block_bytes":8388608,"layout":"preallocated","layout":"appended",'
    b'"file_system":"xfs","file_system":"ntfs","file_system":"apfs","file_system":"ext4","path":{"bus":"sata",'
    b'"bus":"usb","bus":"nvme","bridge":null,"uas":null,"link_now":"PCIe 4.0 x4","link_best":"PCIe 4.0 x4",'
    b'"link_now_bytes_per_s":7876923076,"link_best_bytes_per_s":7876923076},"trace":[{"starts_after_s":0.0,'
    b'"step_us":[26000,27000,28000,8000000,8000000],"step_bytes":[8388608,8388608,4194304,4194304,4194304,'
    b'8000000,8000000,8000000,8000000,8000000]}],"read_back_ok":true,"read_back_note":null,"fill_start":0.5,'
    b'"fill_end":0.5,"position_start":null,"position_end":null,"rest_before_s":null,'
    b'"temperature_start_c":38.0,"temperature_hottest_c":41.0,"discard":"not_possible","discard":"proven",'
    b'"discard":"asked","space_returned":true,"waited_for_data_s":0.0,"by_hand":false,"soak_end":null,'
    b'"rehearsal":null,"fault":null,"foreign":null}}}'
    b'{"wire_version":1,"report_id":"0123456789abcdef0123456789abcdef","host_id":"01khzy0123456789abcdefghjk",'
    b'"agent_version":"0.1.0","made_at":"2026-01-01T00:00:00.000000Z","sequence":10000,"body":{"kind":"probe",'
    b'"body":{"kind":"health","subject":{"ref":"nvme0n1","identity":{"confidence":"own","serial":"S0000",'
    b'"model":"","firmware":"","wwn":null,"eui":"eui.0025","nguid":null,"asset_tag":null},'
    b'"volume_id":"vol-1","members":[]},"result":{"reading":{"read_at":"2026-01-01T00:00:00.000000Z",'
    b'"state":"read","sentence":"Health was read.","sentence":"read","assessment":"unknown",'
    b'"assessment":"passed","protocol":"ata","protocol":"nvme","temperature_c":38.0,'
    b'"temperature_limit_c":83.0,"critical_temperature_limit_c":85.0,"percentage_used":3,'
    b'"available_spare_percent":100,"available_spare_threshold_percent":10,"written_bytes":1000000000000,'
    b'"read_bytes":1000000000000,"power_on_hours":1000,"power_cycles":100,"unsafe_shutdowns":10,'
    b'"media_errors":0,"error_log_entries":0,"reallocated_sectors":null,"pending_sectors":null,'
    b'"uncorrectable_errors":null,"interface_crc_errors":null,"warning_temperature_minutes":0,'
    b'"critical_temperature_minutes":0,"thermal_transitions":null,"critical_warnings":[],"exit_status":0,'
    b'"sources":{"temperature_c":"smartctl JSON","percentage_used":"smartctl JSON"},"vendor":[]}}}'
)
_DICTIONARIES = {zlib.adler32(_WORDS): _WORDS}
_TIMES_APART = b"\x01"
_HAS_DICTIONARY = 0x20  # [bit] FDICT in the second byte, RFC 1950, section 2.2


def _primed(window_bits: int, memory_level: int) -> "zlib._Compress":
    """Give a packer that has taken the dictionary in: a copy costs half of what beginning anew does."""
    return zlib.compressobj(_LEVEL, zlib.DEFLATED, window_bits, memory_level, zlib.Z_DEFAULT_STRATEGY, _WORDS)


# Packing a short document costs less than copying the 256 KiB of a packer for any, so it has one of 48 KiB,
# whose window of 8 KiB holds such a document and all the words before it.
_SHORT_BYTES = 4096  # [bytes]
_FOR_SHORT, _FOR_ANY = _primed(13, 5), _primed(zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL)


def pack(document: bytes) -> bytes:
    """Compress a document."""
    rest, times = take_out(document)
    packer = (_FOR_SHORT if len(rest) <= _SHORT_BYTES else _FOR_ANY).copy()
    stream = packer.compress(rest) + packer.flush()
    if not times:
        return stream
    return b"".join((_TIMES_APART, len(stream).to_bytes(4, "big"), stream, _checksum(times), times))


def unpack(blob: bytes) -> bytes:
    """Give a compressed document back.

    Raises:
        KeyError: When it was written with a dictionary this version does not know.
        zlib.error: When it is damaged.
    """
    if blob[:1] != _TIMES_APART:
        return _inflate(blob)
    end = 5 + int.from_bytes(blob[1:5], "big")
    times = blob[end + 4 :]
    if blob[end : end + 4] != _checksum(times):
        raise zlib.error("the step times of a document are damaged")
    return put_back(_inflate(blob[5:end]), times)


def _inflate(stream: bytes) -> bytes:
    if len(stream) > 6 and stream[1] & _HAS_DICTIONARY:
        words = _DICTIONARIES[int.from_bytes(stream[2:6], "big")]
        return zlib.decompressobj(zdict=words).decompress(stream)
    return zlib.decompress(stream)


def _checksum(data: bytes) -> bytes:
    return zlib.crc32(data).to_bytes(4, "big")
