"""The sandbox: what a decoding process cannot do, and what becomes of every way in which it can end."""

import errno
import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.audiofile import (
    DEFAULT_LIMITS,
    AudioDescription,
    AudioError,
    SandboxFailed,
    describe,
    probe,
    probing,
)
from tests.analysis.audiofile import hostile, wavbits

ON_LINUX = sys.platform == "linux"
PROJECT = Path(__file__).parents[3]


def locked_in(lines: str, *, cpu_s: int = 10) -> subprocess.CompletedProcess[str]:
    """Run Python lines in a process that has locked itself in."""
    start = "import os, socket, sys, resource\nfrom analysis.audiofile.sandbox import lock_in\n"
    program = f"{start}lock_in(cpu_s={cpu_s})\n" + textwrap.dedent(lines)
    return subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, cwd=PROJECT, timeout=60
    )


class TestLockedIn:
    def refusal(self, attempt: str) -> int:
        """The error number that an attempt ends with; 0 where it succeeds."""
        done = locked_in(f"""
            try:
                {attempt}
                print(0)
            except OSError as refused:
                print(refused.errno)
        """)
        assert done.returncode == 0, done.stderr
        return int(done.stdout)

    def test_it_can_still_work(self):
        assert locked_in("print(sum(range(10)))").stdout == "45\n"

    def test_it_opens_no_file(self):
        assert self.refusal("open('/etc/hostname')") == errno.EMFILE

    def test_it_writes_no_file(self, tmp_path: Path):
        assert self.refusal(f"open({str(tmp_path / 'a')!r}, 'w')") == errno.EMFILE

    def test_it_opens_no_socket(self):
        assert self.refusal("socket.socket()") == errno.EMFILE

    def test_it_starts_no_process(self):
        assert self.refusal("os.fork() or os._exit(0)") == errno.EAGAIN

    def test_it_grows_no_file_that_it_was_given(self, tmp_path: Path):
        program = (
            "from analysis.audiofile.sandbox import lock_in; import os; lock_in(cpu_s=5); os.write(1, b'a')"
        )
        with (tmp_path / "a").open("wb") as output:
            done = subprocess.run(
                [sys.executable, "-c", program], stdout=output, check=False, cwd=PROJECT, timeout=60
            )
        assert done.returncode != 0
        assert (tmp_path / "a").stat().st_size == 0

    def test_it_gets_no_more_than_a_gibibyte(self):
        done = locked_in("""
            try:
                bytearray(2**30)
            except MemoryError:
                print("none")
        """)
        assert done.stdout == "none\n"

    def test_its_processor_time_ends(self):
        assert locked_in("while True: pass", cpu_s=1).returncode == -signal.SIGXCPU

    def test_it_leaves_no_core(self):
        assert locked_in("print(resource.getrlimit(resource.RLIMIT_CORE))").stdout == "(0, 0)\n"

    def test_it_waits_behind_whoever_started_it(self):
        assert locked_in("print(os.nice(0))").stdout.strip() == str(min(19, os.nice(0) + 10))

    def test_it_is_not_root(self):
        assert locked_in("print(os.geteuid() == 0 or 0 in os.getgroups())").stdout == "False\n"

    def test_it_never_becomes_root_again(self):
        assert self.refusal("os.setuid(0)") == errno.EPERM

    @pytest.mark.skipif(not ON_LINUX, reason="prctl is Linux's")
    def test_it_gains_no_privileges(self):
        # PR_GET_NO_NEW_PRIVS is 39: linux/prctl.h.
        done = locked_in("import ctypes; print(ctypes.CDLL(None).prctl(39, 0, 0, 0, 0))")
        assert done.stdout == "1\n"


class TestLightness:
    def test_the_child_loads_nothing_heavy(self):
        heavy = "{'scipy', 'django', 'numba'}"
        program = f"import analysis.audiofile.child, sys; print(*sorted({heavy} & set(sys.modules)))"
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True, cwd=PROJECT)
        assert done.stdout.strip() == b""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A sound recording."""
    (tmp_path / "mix.flac").write_bytes(hostile.flac())
    return tmp_path / "mix.flac"


class TestProbe:
    def test_it_describes_what_it_has_decoded(self, path: Path):
        assert probe(path) == describe(path)

    def test_it_reads_what_only_we_may_read(self, path: Path):
        # The child runs as nobody, and gets the open file rather than its name.
        path.parent.chmod(0o700)
        path.chmod(0o400)
        assert probe(path).frames == 48_000

    def test_it_keeps_nothing_open(self, path: Path):
        probe(path)
        before = open_files()
        for _ in range(3):
            probe(path)
        (path.parent / "bad").write_bytes(hostile.floats(float("nan")))
        with pytest.raises(AudioError):
            probe(path.parent / "bad")
        assert open_files() == before

    def test_no_more_are_checked_at_once_than_there_are_processors(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ):
        at_once, most, lock = 0, 0, threading.Lock()
        really = probing._run_child

        def counted(*given):
            nonlocal at_once, most
            with lock:
                at_once += 1
                most = max(most, at_once)
            try:
                return really(*given)
            finally:
                with lock:
                    at_once -= 1

        monkeypatch.setattr(probing, "_run_child", counted)
        count = 3 * (os.cpu_count() or 1)
        with ThreadPoolExecutor(count) as pool:
            found = list(pool.map(probe, [path] * count))
        assert found == [describe(path)] * count
        assert most == (os.cpu_count() or 1)

    def test_a_bomb_runs_out_of_processor_time(self, tmp_path: Path):
        # 163 kB that expand to 691 million frames: let past the header's limit, it meets the processor's.
        (tmp_path / "bomb.flac").write_bytes(hostile.constant(frames=65_535 * 10_544, size=65_535))
        limits = replace(DEFAULT_LIMITS, max_duration_s=1e6, max_cpu_s=1)
        with pytest.raises(AudioError, match="too long to decode") as refusal:
            probe(tmp_path / "bomb.flac", limits)
        assert refusal.value.code == "limits"

    def test_a_missing_file_is_the_storages_fault(self, tmp_path: Path):
        with pytest.raises(FileNotFoundError):
            probe(tmp_path / "none.wav")

    def test_a_refused_header_starts_no_process(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setattr(sys, "executable", "/nonexistent")
        (tmp_path / "a.wav").write_bytes(wavbits.wav(tag=0x55, bits=16))
        with pytest.raises(AudioError, match="MP3"):
            probe(tmp_path / "a.wav")


class TestEveryEnd:
    """A child played by a shell script, so that it can end in any way."""

    @pytest.fixture
    def act(self, tmp_path: Path, path: Path, monkeypatch: pytest.MonkeyPatch):
        def act(script: str, *, wall_s: float = 20.0) -> AudioDescription:
            player = tmp_path / "player"
            player.write_text(f"#!/bin/sh\n{script}\n")
            player.chmod(0o755)
            monkeypatch.setattr(sys, "executable", str(player))
            return probe(path, replace(DEFAULT_LIMITS, max_wall_s=wall_s))

        return act

    def code(self, act, script: str, **options: float) -> str:
        """The code of the refusal that a script leads to."""
        with pytest.raises(AudioError) as refusal:
            act(script, **options)
        assert "secret" not in refusal.value.message
        return refusal.value.code

    def test_a_child_that_says_so_passes_the_file(self, act, path: Path):
        assert act("""echo ready; echo '{"code": null}'""") == describe(path)

    @pytest.mark.parametrize(
        ("script", "code"),
        [
            ("kill -SEGV $$", "decode_failed"),
            ("kill -ABRT $$", "decode_failed"),
            ("kill -BUS $$", "decode_failed"),
            ("kill -SYS $$", "decode_failed"),
            ("kill -XCPU $$", "limits"),
            ("kill -KILL $$", "interrupted"),
            ("exit 1", "decode_failed"),
            ("exit 0", "decode_failed"),
            ("echo secret path >&2; exit 1", "decode_failed"),
            ("echo nonsense", "decode_failed"),
            ("echo null", "decode_failed"),
            ("echo '[]'", "decode_failed"),
            ("echo '{}'", "decode_failed"),
            ("""echo '{"code": 5, "message": "secret"}'""", "decode_failed"),
            ("""echo '{"code": ["limits"], "message": "secret"}'""", "decode_failed"),
            ("""echo '{"code": "member_is_admin", "message": "secret"}'""", "decode_failed"),
            (r"""echo '{"code": "limits", "message": "secret\\u001b[2J"}'""", "decode_failed"),
            ("""echo '{"code": "limits", "message": {"a": 1}}'""", "decode_failed"),
            ("""echo '{"code": null}'; exit 1""", "decode_failed"),
            ("yes", "decode_failed"),
            ("head -c 5000000 /dev/zero", "decode_failed"),
            ("""echo '{"code": "not_finite", "message": "A sample is no number."}'""", "not_finite"),
        ],
    )
    def test_after_it_was_ready_it_is_the_files_fault(self, act, script: str, code: str):
        assert self.code(act, f"echo ready; {script}") == code

    @pytest.mark.parametrize(
        "script", ["exit 1", "exit 0", "kill -KILL $$", "echo not ready", "kill -SEGV $$"]
    )
    def test_before_it_was_ready_it_is_ours(self, act, script: str):
        with pytest.raises(SandboxFailed):
            act(script)

    def test_a_start_that_takes_for_ever_is_ours(self, act):
        with pytest.raises(SandboxFailed):
            act("sleep 60", wall_s=0.5)

    def test_a_disk_that_cannot_be_read_is_the_storages_fault(self, act):
        with pytest.raises(OSError, match="Input/output error"):
            act("""echo ready; echo '{"code": "storage_failed", "message": "Input/output error"}'""")

    def test_its_time_ends_and_nothing_of_it_stays(self, act, tmp_path: Path):
        start = time.monotonic()
        script = f"echo ready; sleep 60 & echo $! >{tmp_path}/pid; sleep 60"
        assert self.code(act, script, wall_s=0.5) == "limits"
        assert time.monotonic() - start < 10
        helper = int((tmp_path / "pid").read_text())
        # The helper is an orphan now, so whoever adopts it may need a moment to bury it.
        for _ in range(100):
            if not is_running(helper):
                return
            time.sleep(0.05)
        pytest.fail("a process of the child's is still running")

    def test_it_is_told_nothing_of_ours(self, act, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setenv("SECRET_KEY", "secret")
        monkeypatch.setenv("HTTPS_PROXY", "secret")
        act(f"""env >{tmp_path}/env; echo ready; echo '{{"code": null}}'""")
        names = {line.partition("=")[0] for line in (tmp_path / "env").read_text().splitlines()}
        # The shell that plays the child adds three of its own.
        assert names - {"PWD", "OLDPWD", "SHLVL", "_"} == {
            "LC_ALL",
            "OPENBLAS_NUM_THREADS",
            "OMP_NUM_THREADS",
        }

    def test_it_gets_the_file_and_no_name(self, act, tmp_path: Path, path: Path):
        act(
            f"""head -c 4 >{tmp_path}/start; echo "$@" >{tmp_path}/words
            echo ready; echo '{{"code": null}}'"""
        )
        assert (tmp_path / "start").read_bytes() == b"fLaC"
        words = (tmp_path / "words").read_text()
        assert path.name not in words
        assert json.loads(words[words.index("{") :])["header"]["description"]["frames"] == 48_000

    def test_its_errors_are_not_shown(self, act, capfd: pytest.CaptureFixture[str]):
        self.code(act, "echo ready; echo secret >&2; exit 1")
        assert capfd.readouterr() == ("", "")

    def test_no_interpreter_is_ours_too(self, path: Path, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setattr(sys, "executable", "/nonexistent")
        with pytest.raises(FileNotFoundError):
            probe(path)

    def test_an_interrupted_worker_takes_its_child_with_it(self, act, tmp_path: Path, monkeypatch):
        class TimeIsUp(BaseException):
            """What a task limit raises in the middle of anything."""

        def interrupt(*args: object) -> bytes:
            while not (tmp_path / "pid").exists():
                time.sleep(0.01)
            raise TimeIsUp

        monkeypatch.setattr(probing, "_read_until", interrupt)
        with pytest.raises(TimeIsUp):
            act(f"echo $$ >{tmp_path}/pid.part; mv {tmp_path}/pid.part {tmp_path}/pid; exec sleep 60")
        assert not is_running(int((tmp_path / "pid").read_text()))


def open_files() -> int:
    """How many files this process holds open; 0 where the system does not tell."""
    return len(list(Path("/proc/self/fd").iterdir())) if ON_LINUX else 0


def is_running(pid: int) -> bool:
    """Whether a process exists and is more than a name waiting to be collected."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    if not ON_LINUX:
        return True
    return ") Z" not in Path(f"/proc/{pid}/stat").read_text()
