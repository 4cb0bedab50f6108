package upkeep

// Card is a caution on a task card. The card that ends a list has no code.
type Card struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Deferral is the sentence that ends every list of cautions.
const Deferral = "Follow your site's rules, the equipment manual and local law; ask a licensed person if unsure."

// Cards gives the caution cards of the given codes in their order and, always
// last, the sentence that defers to site rules. A code that has no card is not
// dropped: its card says so.
func Cards(codes []string) []Card {
	out := make([]Card, 0, len(codes)+1)
	for _, code := range codes {
		out = append(out, Card{Code: code, Text: cautionText(code)})
	}
	return append(out, Card{Text: Deferral})
}

func cautionText(code string) string {
	switch code {
	case "C1":
		return "Isolate and lock the supply, tag it with your name, try to start it. Buttons and door switches are not isolation."
	case "C2":
		return "UV hurts before you feel it. No look, no hand under a lit head. Guards on; UV-rated face shield, gloves and sleeves if a guard must be off."
	case "C3":
		return "Capacitors stay charged. Wait the time on the label, then have a qualified person prove dead."
	case "C4":
		return "Hot: lamp and reflector up to 900 °C, housing may exceed 65 °C. Fan run-on, then cool 15-30 min; check with a thermometer, not a hand."
	case "C5":
		return "Quartz: clean gloves, hold the ends only, wipe before fitting. Fingerprints burn in."
	case "C6":
		return "Isopropyl alcohol vapour can ignite from 12 °C. Lamp off and cool, small amount on the wipe, no spray, no flame, air moving, wipes in the closed bin."
	case "C7":
		return "Do not bridge an interlock. If a test needs it, stop and use the site's written permit."
	case "C8":
		return "Moving parts and stored air: vent and lock compressed air; block shutters and rollers."
	case "C9":
		return "Dust and ink mist: gloves, mask as assessed, no blow-gun. Uncured ink irritates and sensitises."
	case "C10":
		return "Ozone: extraction on before the lamp, and after. Sharp smell, cough or headache: lamp off, leave, report."
	case "C11":
		return "Electricians only. Dead and proved before hands go in. Arc-flash label read first."
	case "C12":
		return "Mercury: never bin or crush. Box, label, date, recycle. If broken: leave, air the room, no vacuum cleaner, seal the pieces, report."
	case "C13":
		return "Glass or quartz edge: cut gloves, eye protection, wrap the waste."
	case "C14":
		return "Ducts can burn and may be a confined or high place. Permit, no hot work, second person."
	case "C15":
		return "Coolant: check the safety sheet, gloves and goggles, mop at once, keep off live parts. Depressurise first."
	case "C16":
		return "Refrigerant: licensed technician only."
	case "C17":
		return "Torque and thermal checks on panels: qualified electrician under the site's permit."
	case "C18":
		return "CT and meter: never open a CT secondary on load. Short it at the block first. Electrician only."
	case "C19":
		return "Fire: film or paper stopped under an open shutter can light at once. Web-stop must close the shutter; keep the right extinguisher near."
	case "C20":
		return "Eyes gritty or skin red hours after work: tell first aid and see a doctor; say \"UV\"."
	default:
		return "No card has this code: see the equipment manual before work."
	}
}
