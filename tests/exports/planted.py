"""A case with identifying values planted wherever its files can hold one. All invented."""

from datetime import date, time

import edfio
import numpy as np

# What was planted, each in at least one file of the case. Each is searched for whole and by its longer words.
SECRETS = (
    "ZQ-1962-0042",
    "Quillfeather",
    "Johannes",
    "14-MAR-1937",
    "MRN7734021",
    "123-45-6789",
    "+1 555 0142",
    "quill@example.org",
    "12 Harbour Lane",
    "Kestrelton",
    "80903",
    "SN-99-XK-4411",
    "Medic Zulu 77",
    "Station Kestrel",
    "Falconwatch",
    "C-98341",
    "C-98342",
    "Corporal Brightwater",
    "St Aldhelm Hospital",
    "tractor on Miller Road",
    "America/Denver",
    "UTC-PLATE-8841",
    "brightwater-protocol",
    "Medical director Brightwater",
    "quillfeather_monitor",
    "clock of Quillfeather",
    "2031-04-17",
    "17.04.31",
    "17-APR-2031",
    "20310417",
    "14:02",
    "14.02",
    "93",
)
_HEADER = """
id = "ZQ-1962-0042"
zone = "America/Denver"
protocol = "brightwater-protocol"
[patient]
age_years = 93.4
sex = "male"
[arrest]
witnessed = "bystander"
bystander_cpr = true
cause = "hit by a tractor on Miller Road"
location = "12 Harbour Lane, Kestrelton 80903"
[crew]
station = "Station Kestrel"
shift = "Falconwatch"
unit = "Medic Zulu 77"
members = ["C-98341", "C-98342", "Corporal Brightwater"]
crew_roles = ["Corporal Brightwater (lead)"]
[outcome]
sustained_rosc = false
cpc = 4
[[source]]
file = "quillfeather_monitor.edf"
start = "2031-04-17T14:02:11-06:00"
clock = "clock of Quillfeather"
depth_reference = "absolute"
[[source]]
file = "Johannes list.csv"
uncertainty_s = 30.0
"""
_PROTOCOL = """
extends = "adult-2020"
title = "Medical director Brightwater"
[limits.compression_fraction]
limit = ">= 0.75"
limit_source = "Medical director Brightwater, 2031-04-17"
"""
_EVENTS = """time,type,end,value,dose,unit,text,by
2031-04-17T14:02:30-06:00,call_received,,,,,"caller +1 555 0142, quill@example.org",UTC-PLATE-8841
2031-04-17T14:03:00-06:00,device_on,,SN-99-XK-4411,,,,Corporal Brightwater
2031-04-17T14:03:01-06:00,device_on,,defib_pads,,,SN-99-XK-4411,C-98341
2031-04-17T14:04:00-06:00,drug,,epinephrine,1,mg,given by Quillfeather's daughter route=IV,C-98342
2031-04-17T14:04:10-06:00,drug,,Quillfeather mix,2,SN-99-XK-4411,,C-98342
2031-04-17T14:05:00-06:00,airway_placed,,supraglottic,,,attempts=2 successful=no MRN7734021,paramedic
2031-04-17T14:05:10-06:00,rhythm,,VF,,,123-45-6789,
2031-04-17T14:05:20-06:00,note,,St Aldhelm Hospital,,,Johannes Quillfeather,
2031-04-17T14:05:30-06:00,Quillfeather woke up,,12 Harbour Lane,,,,
2031-04-17T14:05:40-06:00,pulse_check,,Kestrelton 80903,,,,
2031-04-17T14:05:50-06:00,shock,,200 by Brightwater,,,,
2031-04-17T14:05:55-06:00,pause,2031-04-17T14:06:05-06:00,Kestrelton,,,,
"""


def write(folder):
    """Write the case into the folder, and its agency's protocol beside it; 120 s of compressions at 100 a minute."""
    case = folder / "ZQ-1962-0042"
    case.mkdir()
    (folder / "protocols").mkdir()
    (folder / "protocols" / "brightwater-protocol.toml").write_text(_PROTOCOL, encoding="utf-8")
    (case / "case.toml").write_text(_HEADER, encoding="utf-8")
    (case / "Johannes list.csv").write_text(_EVENTS, encoding="utf-8")
    seconds = np.arange(0, 240, 0.01)
    on = ((seconds > 5) & (seconds < 110)) | ((seconds > 118) & (seconds < 230))
    depth = np.where(on, 27.0 * (1 - np.cos(2 * np.pi * seconds / 0.6)), 0.0)
    signals = [
        edfio.EdfSignal(depth, 100, label="CC depth", physical_dimension="mm", transducer_type="SN-99-XK-4411"),
        edfio.EdfSignal(depth / 3, 100, label="Dr Quillfeather", physical_dimension="mm", prefiltering="Kestrelton"),
    ]
    marks = [
        (10.0, None, "Johannes Quillfeather, MRN7734021"),
        (20.0, None, "device_on itd by=C-98341 text=SN-99-XK-4411"),
        (112.0, None, "shock 200 unit=J by=Brightwater"),
        (231.0, None, "terminated text=Kestrelton"),
    ]
    patient = edfio.Patient(code="MRN7734021", sex="M", birthdate=date(1937, 3, 14), name="Johannes_Quillfeather")
    recording = edfio.Recording(
        startdate=date(2031, 4, 17),
        hospital_administration_code="St_Aldhelm_Hospital",
        investigator_technician_code="Brightwater",
        equipment_code="SN-99-XK-4411",
    )
    edf = edfio.Edf(
        signals,
        patient=patient,
        recording=recording,
        starttime=time(14, 2, 11),
        annotations=[edfio.EdfAnnotation(*mark) for mark in marks],
    )
    edf.write(case / "quillfeather_monitor.edf")
    return case
