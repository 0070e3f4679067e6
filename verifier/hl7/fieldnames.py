"""What the standard calls the fields of a segment, for people who read a message.

HL7 v2.5.1, chapters 2 (MSH, MSA, ERR, NTE), 3 (PID, PV1), 4 (ORC, OBR, TQ1), 7 (OBX, SPM) and 13
(SAC, INV, TCD, SID).
"""

_TABLE = """
MSH Message header: Field separator, Encoding characters, Sending application, Sending facility,
  Receiving application, Receiving facility, Date and time of message, Security, Message type,
  Message control ID, Processing ID, Version ID, Sequence number, Continuation pointer, Accept
  acknowledgment type, Application acknowledgment type, Country code, Character set, Principal
  language of message, Alternate character set handling scheme, Message profile identifier
PID Patient identification: Set ID, Patient ID, Patient identifier list, Alternate patient ID,
  Patient name, Mother's maiden name, Date and time of birth, Administrative sex, Patient alias,
  Race, Patient address, County code, Phone number at home, Phone number at work, Primary
  language, Marital status, Religion, Patient account number, Social security number, Driver's
  license number, Mother's identifier, Ethnic group, Birth place, Multiple birth indicator, Birth
  order, Citizenship, Veterans military status, Nationality, Patient death date and time, Patient
  death indicator, Identity unknown indicator, Identity reliability code, Last update date and
  time, Last update facility, Species code, Breed code, Strain, Production class code, Tribal
  citizenship
PV1 Patient visit: Set ID, Patient class, Assigned patient location, Admission type, Preadmit
  number, Prior patient location, Attending doctor, Referring doctor, Consulting doctor, Hospital
  service, Temporary location, Preadmit test indicator, Re-admission indicator, Admit source,
  Ambulatory status, VIP indicator, Admitting doctor, Patient type, Visit number, Financial class,
  Charge price indicator, Courtesy code, Credit rating, Contract code, Contract effective date,
  Contract amount, Contract period, Interest code, Transfer to bad debt code, Transfer to bad debt
  date, Bad debt agency code, Bad debt transfer amount, Bad debt recovery amount, Delete account
  indicator, Delete account date, Discharge disposition, Discharged to location, Diet type,
  Servicing facility, Bed status, Account status, Pending location, Prior temporary location,
  Admit date and time, Discharge date and time, Current patient balance, Total charges, Total
  adjustments, Total payments, Alternate visit ID, Visit indicator, Other healthcare provider
ORC Common order: Order control, Placer order number, Filler order number, Placer group number,
  Order status, Response flag, Quantity timing, Parent, Date and time of transaction, Entered by,
  Verified by, Ordering provider, Enterer's location, Callback phone number, Order effective date
  and time, Order control code reason, Entering organization, Entering device, Action by, Advanced
  beneficiary notice code, Ordering facility name, Ordering facility address, Ordering facility
  phone number, Ordering provider address, Order status modifier, Advanced beneficiary notice
  override reason, Filler's expected availability date and time, Confidentiality code, Order type,
  Enterer authorization mode, Parent universal service identifier
OBR Observation request: Set ID, Placer order number, Filler order number, Universal service
  identifier, Priority, Requested date and time, Observation date and time, Observation end date
  and time, Collection volume, Collector identifier, Specimen action code, Danger code, Relevant
  clinical information, Specimen received date and time, Specimen source, Ordering provider, Order
  callback phone number, Placer field 1, Placer field 2, Filler field 1, Filler field 2, Results
  report or status change date and time, Charge to practice, Diagnostic service section ID, Result
  status, Parent result, Quantity timing, Result copies to, Parent, Transportation mode, Reason
  for study, Principal result interpreter, Assistant result interpreter, Technician,
  Transcriptionist, Scheduled date and time, Number of sample containers, Transport logistics of
  collected sample, Collector's comment, Transport arrangement responsibility, Transport arranged,
  Escort required, Planned patient transport comment, Procedure code, Procedure code modifier,
  Placer supplemental service information, Filler supplemental service information, Medically
  necessary duplicate procedure reason, Result handling, Parent universal service identifier
OBX Observation or result: Set ID, Value type, Observation identifier, Observation sub-ID,
  Observation value, Units, Reference range, Abnormal flags, Probability, Nature of abnormal test,
  Observation result status, Effective date of reference range values, User defined access checks,
  Date and time of the observation, Producer's reference, Responsible observer, Observation
  method, Equipment instance identifier, Date and time of the analysis, Reserved, Reserved,
  Reserved, Performing organization name, Performing organization address, Performing organization
  medical director
NTE Notes and comments: Set ID, Source of comment, Comment, Comment type
SPM Specimen: Set ID, Specimen ID, Specimen parent IDs, Specimen type, Specimen type modifier,
  Specimen additives, Specimen collection method, Specimen source site, Specimen source site
  modifier, Specimen collection site, Specimen role, Specimen collection amount, Grouped specimen
  count, Specimen description, Specimen handling code, Specimen risk code, Specimen collection
  date and time, Specimen received date and time, Specimen expiration date and time, Specimen
  availability, Specimen reject reason, Specimen quality, Specimen appropriateness, Specimen
  condition, Specimen current quantity, Number of specimen containers, Container type, Container
  condition, Specimen child role
SAC Specimen container detail: External accession identifier, Accession identifier, Container
  identifier, Primary parent container identifier, Equipment container identifier, Specimen
  source, Registration date and time, Container status, Carrier type, Carrier identifier, Position
  in carrier, Tray type, Tray identifier, Position in tray, Location, Container height, Container
  diameter, Barrier delta, Bottom delta, Container height diameter delta units, Container volume,
  Available specimen volume, Initial specimen volume, Volume units, Separator type, Cap type,
  Additive, Specimen component, Dilution factor, Treatment, Temperature, Hemolysis index,
  Hemolysis index units, Lipemia index, Lipemia index units, Icterus index, Icterus index units,
  Fibrin index, Fibrin index units, System induced contaminants, Drug interference, Artificial
  blood, Special handling code, Other environmental factors
INV Inventory detail: Substance identifier, Substance status, Substance type, Inventory container
  identifier, Container carrier identifier, Position on carrier, Initial quantity, Current
  quantity, Available quantity, Consumption quantity, Quantity units, Expiration date and time,
  First used date and time, On-board stability duration, Test fluid identifiers, Manufacturer lot
  number, Manufacturer identifier, Supplier identifier, On-board stability time, Target value
TCD Test code detail: Universal service identifier, Automatic dilution factor, Rerun dilution
  factor, Pre-dilution factor, Endogenous content of pre-dilution diluent, Automatic repeat
  allowed, Reflex allowed, Analyte repeat status
SID Substance identifier: Application method identifier, Substance lot number, Substance container
  identifier, Substance manufacturer identifier
TQ1 Timing and quantity: Set ID, Quantity, Repeat pattern, Explicit time, Relative time and units,
  Service duration, Start date and time, End date and time, Priority, Condition text, Text
  instruction, Conjunction, Occurrence duration, Total occurrences
MSA Message acknowledgment: Acknowledgment code, Message control ID, Text message, Expected
  sequence number, Delayed acknowledgment type, Error condition
ERR Error: Error code and location, Error location, HL7 error code, Severity, Application error
  code, Application error parameter, Diagnostic information, User message, Inform person
  indicator, Override type, Override reason code, Help desk contact point
"""


def _read(table: str) -> dict[str, tuple[str, tuple[str, ...]]]:
    found = {}
    for line in table.strip().replace("\n  ", " ").splitlines():
        head, _, names = line.partition(": ")
        found[head[:3]] = (head[4:], tuple(names.split(", ")))
    return found


_SEGMENTS = _read(_TABLE)
NAMED = tuple(_SEGMENTS)


def segment_title(name: str) -> str:
    """Return what a segment is about; empty for one that is not in the table."""
    return _SEGMENTS[name][0] if name in _SEGMENTS else ""


def field_name(segment: str, number: int) -> str:
    """Return the name of a field, counted from 1 as the standard does; empty when not known."""
    names = _SEGMENTS[segment][1] if segment in _SEGMENTS else ()
    return names[number - 1] if 0 < number <= len(names) else ""
