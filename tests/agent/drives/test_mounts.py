"""The mount table as text: escapes, hidden mounts, and anything at all."""

from ebbmark_agent.drives.linux.mounts import Footing, holding, one_each, parse_mountinfo
from hypothesis import given
from hypothesis import strategies as st

# In the form of the example in proc(5), with places of our own.
EXAMPLE = r"""36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue
41 35 0:44 / /net rw - nfs4 server:/a rw
42 35 8:1 / /media/a\040b\134c rw shared:7 - xfs /dev/sda1 rw
"""


def test_example_of_the_manual() -> None:
    """A line as the manual explains it comes out part by part.

    Source: proc(5), /proc/pid/mountinfo.
    """
    mount = parse_mountinfo(EXAMPLE)[0]

    assert (mount.device_number, mount.root, mount.mount_point) == ("98:0", "/mnt1", "/mnt2")
    assert (mount.file_system, mount.source) == ("ext3", "/dev/root")
    assert {"rw", "noatime", "errors=continue"} <= mount.options


def test_escapes() -> None:
    """Octal escapes of blanks and backslashes are undone."""
    assert parse_mountinfo(EXAMPLE)[2].mount_point == "/media/a b\\c"


def test_footings() -> None:
    """A block device, a server and nothing at all are told apart."""
    footings = [mount.footing for mount in parse_mountinfo(EXAMPLE)]

    assert footings == [Footing.BLOCK, Footing.NETWORK, Footing.BLOCK]


@given(st.text(alphabet="0123456789:/ -\\nabrw,\n\t", max_size=400))
def test_any_table_can_be_parsed(text: str) -> None:
    """Whatever the table holds, no place is mounted twice and each file system is given once."""
    mounts = parse_mountinfo(text)
    points = [mount.mount_point for mount in mounts]

    assert len(points) == len(set(points))
    assert len(one_each(mounts)) <= len(mounts)


@given(
    st.lists(st.sampled_from(["/", "/a", "/a/b", "/ab", "/c"]), unique=True),
    st.sampled_from(["/a/b/x", "/abc", "/c"]),
)
def test_innermost_mount_holds_a_path(points: list[str], path: str) -> None:
    """The mount that holds a path is one of its own parents, and none further in is."""
    lines = [f"{n} 1 8:{n} / {point} rw - ext4 /dev/x rw" for n, point in enumerate(points)]
    found = holding(parse_mountinfo("\n".join(lines)), path)
    parents = [point for point in points if point in {"/", path} or path.startswith(point + "/")]

    assert (found.mount_point if found else None) == max(parents, key=len, default=None)
