"""Finding an instrument's port by what the device is, and opening it for one program alone."""

import os
import pty

import pytest

from daq.errors import PortError, SetupError
from daq.ports import PortFinder, SerialPort, UsbIdentity, close_port, open_port, serial_ports
from daq.setupfile import Instrument

# 1209:0001 is a vendor and product number set aside for tests (pid.codes); the serial numbers are invented.
OURS = SerialPort("/dev/ttyACM0", "thermocouple board", UsbIdentity(0x1209, 1, "A17"), "1-2:1.0")
STRANGER = SerialPort("/dev/ttyACM1", "thermocouple board", UsbIdentity(0x1209, 1, "B03"), "1-3:1.0")
OTHER = SerialPort("/dev/ttyUSB0", "lambda controller", UsbIdentity(0x1209, 2), "1-4:1.0")
BUILT_IN = SerialPort("/dev/ttyS0", "ttyS0")


def at(port: SerialPort, path: str, location: str | None = None) -> SerialPort:
    """The same device after it was plugged in again."""
    return SerialPort(path, port.description, port.usb, location or port.location)


class Plugged:
    """What is plugged in at the moment."""

    def __init__(self, *ports: SerialPort) -> None:
        self.ports = ports

    def __call__(self) -> tuple[SerialPort, ...]:
        return self.ports


def test_usb_identity_is_read_as_it_is_written():
    for text in ("1209:0001", "0403:6001:A10K", "303A:1001:F4:12:FA:00:11:22"):
        assert str(UsbIdentity.parse(text)) == text
    assert UsbIdentity.parse("1209:0001:a17").matches(UsbIdentity(0x1209, 1, "A17"))
    assert not UsbIdentity.parse("1209:0001:A17").matches(UsbIdentity(0x1209, 1, None))


@pytest.mark.parametrize("text", ["", "1209", "1209:", "board", "1209:zz"])
def test_a_wrong_usb_identity_is_one_clear_line(text):
    with pytest.raises(SetupError, match="VID:PID"):
        PortFinder(Instrument(usb=text), list_ports=Plugged())


def test_the_usb_identity_goes_before_the_name():
    instrument = Instrument(usb="1209:0001:A17", port="/dev/ttyACM1")
    assert PortFinder(instrument, list_ports=Plugged(STRANGER, OURS))() == "/dev/ttyACM0"


def test_a_path_on_the_command_line_goes_before_everything():
    instrument = Instrument(usb="1209:0001:A17", port="/dev/ttyACM1")
    assert PortFinder(instrument, "/tmp/virtual", Plugged(OURS))() == "/tmp/virtual"


def test_two_of_one_model_are_named_not_guessed_between():
    with pytest.raises(PortError, match=r"several.*ttyACM0.*A17.*ttyACM1.*B03"):
        PortFinder(Instrument(usb="1209:0001"), list_ports=Plugged(OURS, STRANGER))()
    named = Instrument(usb="1209:0001", port="/dev/ttyACM1")
    assert PortFinder(named, list_ports=Plugged(OURS, STRANGER))() == "/dev/ttyACM1"


def test_without_a_word_in_the_setup_the_only_usb_port_is_taken():
    assert PortFinder(Instrument(), list_ports=Plugged(BUILT_IN, OURS))() == "/dev/ttyACM0"
    with pytest.raises(PortError, match="several"):
        PortFinder(Instrument(), list_ports=Plugged(OURS, OTHER))()
    with pytest.raises(PortError, match=r"no such serial port.*ttyS0"):
        PortFinder(Instrument(), list_ports=Plugged(BUILT_IN))()
    with pytest.raises(PortError, match="none at all"):
        PortFinder(Instrument(), list_ports=Plugged())()


def test_a_device_is_followed_to_its_new_name_and_a_stranger_at_the_old_one_is_left_alone():
    plugged = Plugged(OURS)
    find = PortFinder(Instrument(port="/dev/ttyACM0"), list_ports=plugged)
    assert find() == "/dev/ttyACM0"
    plugged.ports = (at(STRANGER, "/dev/ttyACM0"),)
    with pytest.raises(PortError, match="1209:0001:A17"):
        find()
    plugged.ports = (at(STRANGER, "/dev/ttyACM0"), at(OURS, "/dev/ttyACM5", "2-1:1.0"))
    assert find() == "/dev/ttyACM5"


def test_without_a_serial_number_the_socket_decides_then_the_only_one_of_the_model():
    twin = SerialPort("/dev/ttyUSB1", "lambda controller", UsbIdentity(0x1209, 2), "1-5:1.0")
    plugged = Plugged(OTHER, twin)
    find = PortFinder(Instrument(port="/dev/ttyUSB0"), list_ports=plugged)
    assert find() == "/dev/ttyUSB0"
    plugged.ports = (at(twin, "/dev/ttyUSB0"), at(OTHER, "/dev/ttyUSB2"))
    assert find() == "/dev/ttyUSB2"
    plugged.ports = (at(OTHER, "/dev/ttyUSB3", "7-7:1.0"),)
    assert find() == "/dev/ttyUSB3"
    plugged.ports = (at(OTHER, "/dev/ttyUSB3", "7-7:1.0"), at(twin, "/dev/ttyUSB4"))
    with pytest.raises(PortError, match="several"):
        find()


def test_a_path_that_no_list_knows_is_added():
    master, slave = pty.openpty()
    try:
        path = os.ttyname(slave)
        assert [p.path for p in serial_ports((path, "/no/such/port")) if p.path == path] == [path]
        assert not [p for p in serial_ports(("/no/such/port",)) if p.path == "/no/such/port"]
    finally:
        os.close(master)
        os.close(slave)


def test_an_open_port_is_refused_to_a_second_and_free_again_afterwards():
    master, slave = pty.openpty()
    try:
        path = os.ttyname(slave)
        port = open_port(path, 115200)
        with pytest.raises(PortError, match="another program has it open"):
            open_port(path, 115200)
        close_port(port)
        close_port(port)
        close_port(open_port(path, 115200))
    finally:
        os.close(master)
        os.close(slave)


def test_closing_survives_a_device_that_is_gone():
    master, slave = pty.openpty()
    port = open_port(os.ttyname(slave), 115200)
    os.close(master)
    os.close(slave)
    close_port(port)
    assert not port.is_open


@pytest.mark.parametrize(
    ("path", "baud", "said"),
    [
        ("/no/such/port", 115200, "no such serial port"),
        ("/dev/null", 115200, "is not a serial port"),
        ("/dev/ptmx", -1, "baud"),
    ],
)
def test_what_cannot_be_opened_is_one_clear_line(path, baud, said):
    with pytest.raises(PortError, match=said) as caught:
        open_port(path, baud)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(path)
