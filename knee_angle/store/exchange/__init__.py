"""Kept rows in the forms that a hospital's systems take, from the store alone.

No photo is measured again and no model asked. Modules: `codes` (every code that is written,
which of them a site may change), `fhir` (HL7 FHIR R4B and R5: bundles out, and read back),
`dicom` (kept pictures and angles for an archive).
"""
