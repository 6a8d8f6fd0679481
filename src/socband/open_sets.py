"""Register of the open sets: address, checksums, licence, how to cite. See `socband.datasets`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import quote


@dataclass(frozen=True)
class OpenSet:
    """One published set of records.

    Attributes:
        name: also the name of its folder.
        title, licence, citation: what it is, what one may do with it, how to name it.
        checksums: path inside the folder → SHA-256.
        address: prefix of the files' addresses; "" = not known, only a local copy can be used.
        folders: how a file's name begins → its folder behind the address; "" for all.
    """

    name: str
    title: str
    licence: str
    citation: str
    checksums: Mapping[str, str] = field(default_factory=dict)
    address: str = ""
    folders: Mapping[str, str] = field(default_factory=dict)

    def notice(self) -> str:
        """What a user reads before the first download."""
        return f"{self.title}\nlicence: {self.licence}\ncite: {self.citation}"

    def url(self, file: str) -> str:
        """Address of one file."""
        last = file.rsplit("/", 1)[-1]
        inside = [folder for begin, folder in self.folders.items() if last.startswith(begin)]
        return "/".join([self.address, *(quote(part) for part in (*inside, last))])


OPEN_SETS: dict[str, OpenSet] = {
    "cell-18650-2ah": OpenSet(
        name="cell-18650-2ah",
        title="Measured discharges of a 2 Ah 18650 LFP cell at 25 °C",
        licence="CC BY-SA 4.0",
        citation=(
            "About:Energy Ltd, LFP|graphite 2 Ah cylindrical 18650 cell, BPX parameterisation, 2022"
        ),
        address=(
            "https://raw.githubusercontent.com/About-Energy-OpenSource/"
            "About-Energy-BPX-Parameterisation/"
            "8efd45a7495ad8d3a4d72b547e657322a4baabd2/LFP/data/validation"
        ),
        checksums={
            "LFP_25degC_1C.csv": (
                "f3dcaf1ed812fda72b3b2d73d08a5f0ae1737fa480e24ede609f88766aadc4ce"
            ),
            "LFP_25degC_2C.csv": (
                "1abbc52904175977aa775967677dd93ab7bc4f673db5a6abef899461d19abb02"
            ),
            "LFP_25degC_Co2.csv": (
                "1c857767bdd1a0a8ebe55796d22075e3dd2242dc11c31843ed0c0ac46ce4c993"
            ),
            "LFP_25degC_Co20.csv": (
                "6ca1fe6c43c147d5d108a3b7ce045c3d0e5a0fadf1a6c5a70e98df82faff568d"
            ),
            "LFP_25degC_DriveCycle.csv": (
                "953a15eb2500f00bd057bd6f20a3f503b53d5849edcbef4d32617d2eb1986d94"
            ),
        },
    ),
    "cell-26650-2p1ah-temperatures": OpenSet(
        name="cell-26650-2p1ah-temperatures",
        title="OCV and dynamic records of a 2.06 Ah 26650 LFP cell, −25 to 45 °C",
        licence=(
            "no separate data licence seen; the book's own material is CC BY-NC-SA 4.0. "
            "Not shipped with this package."
        ),
        citation=(
            "University of Colorado Colorado Springs; supplement to Plett, Battery "
            "Management Systems, Vol. 1, Artech House 2015"
        ),
        checksums={
            "dynamic/A123_DYN_10_N25_s1.csv.gz": (
                "b707f06638c2bf26c70dbc58726c5aa41ee6b6307e480070b1601e152388c4d4"
            ),
            "dynamic/A123_DYN_10_N25_s2.csv.gz": (
                "cb9818135faca97d67aef3371e8eebb3ce08bfee5eccbe5e2f135ff93246630c"
            ),
            "dynamic/A123_DYN_10_N25_s3.csv.gz": (
                "ed4ed1fb42a409337977f8f2fe0253176ceabbd7e72357c1b08eb2cbf126062b"
            ),
            "dynamic/A123_DYN_30_N05_s1.csv.gz": (
                "7990efb2271a427fc690f089fbfd7f48f3c6286e51c4e25a990352e79352a3b7"
            ),
            "dynamic/A123_DYN_30_N05_s2.csv.gz": (
                "6afffaf88bf4bf38ed0a8ae834f06c279b37a9685f0ea9e6915e50baa975b544"
            ),
            "dynamic/A123_DYN_30_N05_s3.csv.gz": (
                "86b1d45ccfecdf9246d4086ce67f9137cba468bab5c3635fb8f953ae9b621c07"
            ),
            "dynamic/A123_DYN_45_P15_s1.csv.gz": (
                "9f0c2cdb0eb1994184c94853bba585b581288103a200b411cfb732d393c9a33e"
            ),
            "dynamic/A123_DYN_45_P15_s2.csv.gz": (
                "b168e22d53fdb35b941aaae5ee6f9f89eae607c8b8bc710a113b5076d3b6e50a"
            ),
            "dynamic/A123_DYN_45_P15_s3.csv.gz": (
                "8008ed1a8a02c167fc33efd03262e7367220134317c9500dfc845c6637d73c86"
            ),
            "dynamic/A123_DYN_50_P25_s1.csv.gz": (
                "5cae08b06022754ae35d8bf6258dc252da1b6f10622dd6ada06326a448f1a1d7"
            ),
            "dynamic/A123_DYN_50_P25_s2.csv.gz": (
                "935b833735b78a11dd81d195c0e539a19db7134480b4bf281f5863c4ea050b85"
            ),
            "dynamic/A123_DYN_50_P25_s3.csv.gz": (
                "433e9e08b18a9cf12256d3fe2849b95bcd86d4947672313fc3104512af55db9b"
            ),
            "dynamic/A123_DYN_50_P35_s1.csv.gz": (
                "29e0ec4027e44f746e8dbc13f27b350107c5b8a53d6c13d7801090b23b7a0f91"
            ),
            "dynamic/A123_DYN_50_P35_s2.csv.gz": (
                "3f4dd6a414242046f9e2e4f825562259e102aecebbf134533add0365311f6653"
            ),
            "dynamic/A123_DYN_50_P35_s3.csv.gz": (
                "94a31169b252359c5aa2f18cee3ad8755e4aac34774d7ea41382614e8878bd30"
            ),
            "dynamic/A123_DYN_50_P45_s1.csv.gz": (
                "ce6ad3d3caa8276f2fdddb40b7d790195c8e4aebf76f41c4ab0818e646e79629"
            ),
            "dynamic/A123_DYN_50_P45_s2.csv.gz": (
                "3fbaf11af197d909916908e37e8ed8b17a61af153cf0d42e6c83911e59fae56c"
            ),
            "dynamic/A123_DYN_50_P45_s3.csv.gz": (
                "8163678f266b10af84ca831201127087ea4b4a755430a81206ac9525678b178a"
            ),
            "ocv/A123_OCV_N05_S1.csv.gz": (
                "8b1a6c327b464ca8fdeea48f8fa5ab4fb41889b324827e0ed05e0966ea1f9a39"
            ),
            "ocv/A123_OCV_N05_S2.csv.gz": (
                "4709a1af3ee81d42ec0f02a67f425fc05f2b0bacc2b07572572cf0022178b8e3"
            ),
            "ocv/A123_OCV_N05_S3.csv.gz": (
                "12672d70a2a92bf6b7c705fce20f1154dd8ceb12e4090f33e043cb808373528d"
            ),
            "ocv/A123_OCV_N05_S4.csv.gz": (
                "72084792eaf1f100df0f389e9ed320f4f4a2964cb6ad723237c630389a821a38"
            ),
            "ocv/A123_OCV_N25_S1.csv.gz": (
                "03480a3a11b0845f050cc7a64f2f86be11e065c92db7b11c1143d241a06343f6"
            ),
            "ocv/A123_OCV_N25_S2.csv.gz": (
                "62eaf7990623c5ca3f8e93a8d18ee450dd33fd0c9d4fd39f30389a8837b845d9"
            ),
            "ocv/A123_OCV_N25_S3.csv.gz": (
                "330088bad1a16611e02f8ff96fa66988e6263b40eb64c741bfbf884ed7c085fd"
            ),
            "ocv/A123_OCV_N25_S4.csv.gz": (
                "7c77652d71fec6889dee8752a202078bf7fa1d23c44820e19ba67c9b94ca5d8b"
            ),
            "ocv/A123_OCV_P15_S1.csv.gz": (
                "f41194d189cc26c443fe8e94fb5a40bc38505a7b625c8dc47aa3d8557a9e74fc"
            ),
            "ocv/A123_OCV_P15_S2.csv.gz": (
                "af91940038923edf029990705812afba6f6a83057f9be4a29bbf37691e597541"
            ),
            "ocv/A123_OCV_P15_S3.csv.gz": (
                "98fa2d23bd0bd9b518ed14c1415396cd3076afc4fd54bdde909bc8cc96fa5ef6"
            ),
            "ocv/A123_OCV_P15_S4.csv.gz": (
                "dea8480efb53eaca940310c5ebc4fea4d05b35d3311585edb52c1f921cd0d118"
            ),
            "ocv/A123_OCV_P25_S1.csv.gz": (
                "9470a703dd4f9192e17d0f3864637beaaaa689d5bf8f111d65b5300b9645334c"
            ),
            "ocv/A123_OCV_P25_S2.csv.gz": (
                "74d0033a379a4c78f46a10f91dcbc5bc6bf7efb0c82669a6ef17dac174092a54"
            ),
            "ocv/A123_OCV_P25_S3.csv.gz": (
                "7507edd2b95dcc7b57b20eaf9da72c386360d77b905d901b3be7e7da1bf72ec2"
            ),
            "ocv/A123_OCV_P25_S4.csv.gz": (
                "9062882270d1edf2f86ff2e73b77f5e1cd29cb86945d97ce660e01fe86685d96"
            ),
            "ocv/A123_OCV_P35_S1.csv.gz": (
                "8e28751d918c0537e585cf9dc523b48d614bcaace08d44e240426e8beefb9fde"
            ),
            "ocv/A123_OCV_P35_S2.csv.gz": (
                "7e270ee2fb8e2c799efd193b8c7e4af7f0ac81ae2a72c941b57149c9a21925d7"
            ),
            "ocv/A123_OCV_P35_S3.csv.gz": (
                "3756924138349d53c77b6dc27e08ce15d9ac2ba0bdc7638cb8d3a67fb9075bb7"
            ),
            "ocv/A123_OCV_P35_S4.csv.gz": (
                "3baa2c652bc16bd7807ea20e28e6fb065c79b35ff297a175b735d46ec2b7fda9"
            ),
            "ocv/A123_OCV_P45_S1.csv.gz": (
                "d0b116b4d91aec8663ad252bbdad01db0fc2f9b598346ac4f4ee788474751a56"
            ),
            "ocv/A123_OCV_P45_S2.csv.gz": (
                "cd1ff2309f4c1a22f1dac2b1397f87dca9d9ca44b953032fc1516d5ea8cf0762"
            ),
            "ocv/A123_OCV_P45_S3.csv.gz": (
                "884e5db46c0f74ed2afc68196b7f885052fc1f977533317e72606a7b438c713c"
            ),
            "ocv/A123_OCV_P45_S4.csv.gz": (
                "feb25466812b0d884f85b56a7a1a435d6955fc4d3be601e0e910492900ba6cfd"
            ),
        },
    ),
    "cell-26650-2p5ah-steps": OpenSet(
        name="cell-26650-2p5ah-steps",
        title="10 % charge steps with two-hour rests of a 2.5 Ah 26650 LFP cell",
        licence="CC0 1.0",
        citation=(
            "Gao & Onori, Advancing LiFePO4 Battery SOC Estimation using EIS and "
            "Short-Period Sine-Wave Pulses, Green Energy and Intelligent "
            "Transportation, 2025"
        ),
        address=(
            "https://raw.githubusercontent.com/yizhaogao2025/LFP_battery_SOC_Dataset/"
            "043fb2cc3204261197cb80995d6b56fd55eb078b"
        ),
        folders={
            "COS_": "COS_Raw&Processed_data_for_DIB/COS_Processed_data_mat",
            "EIS_": "EIS_Raw & Processed_data_for_DIB/EIS_Processed_data_mat",
        },
        checksums={
            "COS_0.05A_Charge.mat": (
                "7fefe4c10cdcbdb90a4ee8d932e2480273e0207ddd17a8ff9e2d7da970687a84"
            ),
            "COS_0.05A_Discharge.mat": (
                "6b7eb22b4d530291c2de8deea04d823c9322aa92559650d1077197cfd420df26"
            ),
            "COS_0.1A_Charge.mat": (
                "1233e3045f073707d4a66652cb7b6a2cfa7ff79a6c5fd94f062a679956d6cb99"
            ),
            "COS_0.1A_Discharge.mat": (
                "8ac64445e5eed274230eb2220915ed7c9167fd5cd0469995b0e3d3a8acb2c698"
            ),
            "EIS_0.05A_Charge.mat": (
                "7f4ae28ecb686ed20ec8188df7e83fb257e854eac0db50cbe7f5a6f067b272a0"
            ),
            "EIS_0.05A_Discharge.mat": (
                "4b6724f4b38e37fde8ef3fe6e351e8700f011adabe4de3651aaf5c6e5793358f"
            ),
            "EIS_0.1A_Charge.mat": (
                "d801ee03bae7d3d8e4f3ea026455db4dbdeda899d5367e5896e822791f4442b1"
            ),
            "EIS_0.1A_Discharge.mat": (
                "efd48a0d374f29aea7273b7816237d16daffd1568c994e6cce08ac6eb21d2def"
            ),
        },
    ),
}
