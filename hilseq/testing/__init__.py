"""The driver kit: tests that any driver of a supply, channels, a unit's link or a partner at its ports must pass.

A driver's own tests inherit a class and override its `rig` fixture:

    from hilseq.testing import SupplyRig, SupplyTests, TcpWire

    class TestMySupply(SupplyTests):
        capabilities = Capabilities(reads_settings_back=True)

        @pytest.fixture
        def rig(self): ...

The rig names a real server (or the instrument itself) and a `Wire` that can be disturbed on the way to it. What only
some drivers can do is asked of `capabilities`, where everything defaults to "not claimed"; a test of a later version
enters behind such a question. What fails and is known to fail stands in `expected_failures`, and is strict: once it
passes, the entry has to go.

`hilseq.testing` needs pytest, which hilseq itself needs; it starts no server and opens no port of its own but that of
`TcpWire`.
"""

from hilseq.testing.channels import ChannelsRig, ChannelsTests
from hilseq.testing.kit import Capabilities, DriverTests, TcpWire, Wire
from hilseq.testing.link import LinkRig, LinkTests
from hilseq.testing.partner import PartnerRig, PartnerTests
from hilseq.testing.supply import SupplyRig, SupplyTests

__all__ = [
    "Capabilities",
    "ChannelsRig",
    "ChannelsTests",
    "DriverTests",
    "LinkRig",
    "LinkTests",
    "PartnerRig",
    "PartnerTests",
    "SupplyRig",
    "SupplyTests",
    "TcpWire",
    "Wire",
]
