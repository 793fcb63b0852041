"""The cautions that every screen, sheet and export carries, and how they are known again in a recording that is read."""

SHORT = (
    "For retrospective quality improvement only, never for treating a patient. "
    "Local protocols, medical direction and licensed practice come first."
)
LONG = (
    "This review is for retrospective quality improvement. It is not for treating a patient, and nothing in it is medical advice.",
    "Local protocols, medical direction and licensed practice come first. Limits shown here come from the protocol file in force, "
    "each with its source; guidelines change.",
    "Evidence on the impedance threshold device (ITD) is mixed: a large blinded trial with standard CPR found no benefit, a later "
    "subgroup with acceptable CPR and a trial together with active compression-decompression CPR did; guidance of 2015 advises "
    "against routine use with standard CPR. Only the process is shown, never an effect.",
    "Detection has errors and recordings have gaps: each number says its bounds; what a recording cannot show gets no number.",
    "A process number predicts no outcome. The review is about the process, not about blame.",
)
NOTICE = "notice of the agency: "  # what an agency's own line begins with among the annotations of a recording


def tells_no_event(annotation: str) -> bool:
    """Whether an annotation is a caution or an agency's own line, as our own files carry them, and nothing that was done."""
    return annotation == SHORT or annotation.startswith(NOTICE)
