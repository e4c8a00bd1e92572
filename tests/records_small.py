"""A hand-written register of three invented patients that breaks no rule, and ways to break it.

Cells are text, as they stand in a CSV file. Rows are numbered as a person sees them: the header is row 1.
"""

import csv
import io
from pathlib import Path

from analytics.dictionary.tables import TABLES

Table = list[dict[str, str]]
Register = dict[str, Table]

TEXT = {
    "patients": """
patient_id,sex,age_years,loss_scale,loss_class,hair_calibre_um,calibre_method,curl,contrast,smoker,diabetes,scarring,donor_area_cm2,donor_fu_cm2,donor_hairs_cm2
0001,male,42,Norwood-Hamilton,V,67,optical,curly,high,no,no,no,165,80,174
0002,female,38,Ludwig,II,60,optical,straight,low,no,no,no,150,75,150
0003,male,55,Norwood-Hamilton,VI,71,optical,wavy,medium,yes,no,no,180,70,140
""",
    "sessions": """
session_id,patient_id,register_month,session_number,method,surgeon_id,team_id,attempts,grafts_out,grafts_transected,grafts_discarded,holding_medium,holding_temperature_c,out_of_body_min,harvest_technique
0001-1,0001,3,1,FUT,S1,T1,,1600,40,60,saline,4,120,strip
0001-2,0001,19,2,FUE,S1,T1,1300,1240,50,40,saline,4,150,motor punch
0002-1,0002,5,1,FUE,S2,T1,900,850,30,50,buffered,20,90,manual punch
0003-1,0003,8,1,combined,S2,T2,600,1040,40,40,buffered,20,200,mixed
""",
    "placements": """
placement_id,session_id,zone,site,area_cm2,grafts_1,grafts_2,grafts_3,grafts_4,grafts,hairs,roi_planted_hairs_cm2,method
P1,0001-1,hairline,whole,30,300,300,100,0,,,42,
P2,0001-1,midscalp,whole,40,200,400,200,40,840,1760,,
P3,0001-2,crown,whole,60,300,600,250,50,,,,
P4,0002-1,frontal,whole,40,,,,,800,1600,38.5,
P5,0003-1,crown,left,25,100,300,100,0,,,41,FUE
P6,0003-1,crown,right,25,100,300,100,0,,,41,FUT
""",
    "measurements": """
patient_id,zone,region_id,region_kind,session_id,month,count_number,density_hairs_cm2,density_fu_cm2,roi_area_cm2,n_fields,roi_marked,reader_id,device_class,hair_length,standard_conditions,condition_reason
0001,hairline,hairline,planted,0001-1,-0.5,1,20,,1,1,yes,R1,D1,short,yes,
0001,hairline,hairline,planted,0001-1,6.1,1,45,,1,1,yes,R1,D1,short,yes,
0001,hairline,hairline,planted,0001-1,6.1,2,47,,1,1,yes,R2,D1,short,yes,
0001,hairline,hairline,planted,0001-1,12.3,1,58,,1,1,yes,R1,D1,short,no,light
0001,crown,crown,planted,0001-1,12.3,1,31,,1,2,no,R1,D1,short,yes,
0001,crown,crown,planted,0001-2,0,1,30,16,1,2,no,R1,D1,short,yes,
0001,crown,crown,planted,0001-2,12.2,1,62,33,1,2,no,R1,D1,short,yes,
0001,hairline,hairline,planted,0001-1,28.2,1,57,,1,1,yes,R1,D1,short,yes,
0002,frontal,frontal,planted,0002-1,0,1,35,,0.65,3,yes,R2,D1,long,yes,
0002,frontal,frontal,planted,0002-1,9,1,66.5,,0.65,3,yes,R2,D1,long,yes,
0002,midscalp,ctrl,unplanted,0002-1,0,1,80,,1,1,yes,R2,D1,long,yes,
0002,midscalp,ctrl,unplanted,0002-1,9,1,78,,1,1,yes,R2,D1,long,yes,
0002,donor,donor,donor,0002-1,0,1,150,75,1,1,no,R2,D1,long,yes,
0003,crown,left,planted,0003-1,0,1,12,,1,1,yes,R1,D1,trimmed,yes,
0003,crown,left,planted,0003-1,12,1,44,,1,1,yes,R1,D1,trimmed,yes,
""",
    "visits": """
patient_id,session_id,month,mode,photographs_standard,complications_asked,withdrawn
0001,0001-1,0,clinic,yes,no,no
0001,0001-1,6.1,clinic,yes,yes,no
0001,0001-1,12.3,clinic,no,yes,no
0001,0001-2,0,clinic,yes,yes,no
0001,0001-2,12.2,clinic,yes,yes,no
0002,0002-1,0,clinic,yes,no,no
0002,0002-1,9,clinic,yes,yes,no
0002,0002-1,14,telephone,,yes,yes
0003,0003-1,0,clinic,yes,no,no
0003,0003-1,12,clinic,yes,yes,no
""",
    "therapies": """
patient_id,kind,start_register_month,stop_register_month
0001,oral,-4,10
0001,oral,14,
0003,topical,9,
""",
    "events": """
session_id,kind,month,severity,temporary,resolved_month
0001-1,folliculitis,1.1,mild,yes,1.6
0003-1,effluvium,0.9,moderate,yes,
""",
    "ratings": """
session_id,month,satisfaction_0_10,would_choose_again
0001-1,12,8,yes
0002-1,9,7,
""",
    "grades": """
session_id,zone,month,reader_id,scale,value,scale_worst,scale_best,blinded
0001-1,hairline,12,R1,change,2,-3,3,yes
0001-1,hairline,12,R2,change,1,-3,3,yes
0003-1,crown,12,R1,change,1,-3,3,no
""",
    "photographs": """
session_id,month,zone,view,file,standard,consent
0001-1,12.3,hairline,top,0001_0001-1_hairline_top_m12,no,no
""",
}


def small() -> Register:
    """Return the register, a fresh copy each time."""
    return {name: list(csv.DictReader(io.StringIO(text.strip()))) for name, text in TEXT.items()}


def put(register: Register, table: str, row: int, **cells: str) -> Register:
    """Return the register with cells of one row (as numbered in the file) written anew."""
    rows = [dict(r) for r in register[table]]
    rows[row - 2].update(cells)
    return {**register, table: rows}


def add(register: Register, table: str, like: int, **cells: str) -> Register:
    """Return the register with one more row at the end: a copy of row `like` with cells written anew."""
    return {**register, table: [*register[table], {**register[table][like - 2], **cells}]}


def take(register: Register, table: str, *rows: int) -> Register:
    """Return the register without some rows."""
    return {**register, table: [r for i, r in enumerate(register[table], start=2) if i not in rows]}


def without_column(register: Register, table: str, column: str) -> Register:
    """Return the register without a column."""
    return {**register, table: [{k: v for k, v in r.items() if k != column} for r in register[table]]}


def save(register: Register, folder: Path) -> Path:
    """Write the register as a folder of CSV files and return the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in register.items():
        (folder / f"{name}.csv").write_text(as_csv(rows, name), encoding="utf-8", newline="")
    return folder


def as_csv(rows: Table, name: str) -> str:
    """Return the text of one table; without rows the header of the dictionary."""
    out = io.StringIO(newline="")
    header = list(rows[0]) if rows else [c.name for c in TABLES[name].asked()]
    writer = csv.DictWriter(out, header, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()
