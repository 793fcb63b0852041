"""The three errors (breaths too many, chest not let up, seal lost): what was seen of each, or what would have shown it."""

from qi.feedback.said import Said, found, held_to, sentence, value_of, why_not
from qi.model.review import Review
from qi.model.words import amount

NEVER_LOST = "with the ITD on, the vacuum of the recoil was never lost for longer than a few seconds"
NAMES = {"errors.breaths": "Breaths", "errors.recoil": "Recoil of the chest", "errors.seal": "Seal"}


def three_errors(review: Review) -> tuple[Said, Said, Said]:
    """One sentence or two for each, in the order breaths, recoil, seal."""
    return breaths(review), recoil(review), seal(review)


def breaths(review: Review) -> Said:
    """How often breaths came, by how the airway was held, and how long each lasted."""
    told, rests = [], []
    for of, when in (("advanced_airway", "with the advanced airway in"), ("bag_mask_continuous", "by mask during compressions")):
        rate = found(review, "ventilation_rate", of)
        if rate and rate.value is not None:
            often = found(review, "over_ventilated_fraction", of)
            over = f"; above that in {value_of(often)} of minutes" if often and often.value else ""
            asked = held_to(rate).replace(" per min", "").replace(")", f"{over})")
            told.append(f"{when} they came {rate.value:.0f} times a minute{asked}")
            rests += [rate, *([often] if often else [])]
    whole, pair = found(review, "ventilation_rate"), found(review, "breaths_per_pause")
    if not told and whole and whole.value is not None:
        told.append(f"they came {whole.value:.0f} times a minute over the arrest")
        rests.append(whole)
    if pair:
        told.append(f"in the pauses for breaths there were {value_of(pair)} each as a mean")
        rests.append(pair)
    if not told:
        missing = review.of("ventilation_rate")
        return sentence("errors.breaths", f"Could not be measured: {why_not(missing)}", missing)
    length = found(review, "breath_duration_s")
    if length:
        told.append(f"a breath took {value_of(length)} as a median")
        rests.append(length)
    return sentence("errors.breaths", "; ".join(told), *rests)


def recoil(review: Review) -> Said:
    """After how many compressions the chest was let up fully."""
    one = review.of("released_fraction")
    if one.value is None:
        return sentence("errors.recoil", f"Could not be measured: {why_not(one)}", one)
    leaning = "" if one.verdict == "met" else f"; after {amount(1.0 - one.value, '1')} some pressure was left on it"
    return sentence(
        "errors.recoil", f"the chest was let up fully after {value_of(one)} of compressions{held_to(one)}{leaning}", one
    )


def seal(review: Review) -> Said:
    """For how many compressions with the ITD on its vacuum was lost; or that none was on."""
    one, on = review.of("seal_loss_fraction"), review.of("time_to_device_s", "itd", "first_compression")
    if one.value == 0:
        return sentence("errors.seal", NEVER_LOST, one)
    if one.value is not None:
        apart = [
            f"{words} {value_of(part)}"
            for of, words in (("mask", "on the mask"), ("advanced_airway", "on the advanced airway"))
            if (part := found(review, "seal_loss_fraction", of))
        ]
        split = f": {', '.join(apart)}" if len(apart) > 1 else ""
        can_be = ". It can be a leak, an open airway, leaning, or the device itself"
        text = (
            f"with the ITD on, the vacuum of the recoil was lost for {value_of(one)} of compressions{held_to(one)}{split}{can_be}"
        )
        return sentence("errors.seal", text, one)
    if on.number.status == "never":
        return sentence("errors.seal", "No ITD was put on, so there was no vacuum to hold", on)
    return sentence("errors.seal", f"Could not be measured: {why_not(one)}", one, on)
