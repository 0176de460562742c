package specimendefinition

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// shape says which elements a block may have. It holds R4 (4.0.1) and R5
// (5.0.0) together: what they share means the same in both, and R5 only added
// elements, none of which changes a limit.
type shape map[string]element

// element is one element of a shape.
type element struct {
	many bool  // 0..*, a list in JSON
	form form  // of a single value; block for a block
	of   shape // nil: a block that isn't looked into
}

var (
	str     = element{form: text}
	num     = element{form: number}
	yesNo   = element{form: boolean}
	inside  = element{}           // a block that isn't looked into
	insides = element{many: true} // a list of them
)

func (s shape) with(more shape) shape {
	all := maps.Clone(s)
	maps.Copy(all, more)
	return all
}

var (
	anyElement = shape{"id": str, "extension": insides}
	backbone   = anyElement.with(shape{"modifierExtension": insides})

	coding   = anyElement.with(shape{"system": str, "version": str, "code": str, "display": str, "userSelected": yesNo})
	concept  = anyElement.with(shape{"coding": {many: true, of: coding}, "text": str})
	quantity = anyElement.with(shape{"value": num, "comparator": str, "unit": str, "system": str, "code": str})

	conceptOne  = element{of: concept}
	conceptMany = element{many: true, of: concept}
	quantityOne = element{of: quantity}

	handlingShape = backbone.with(shape{
		"temperatureQualifier": conceptOne,
		"temperatureRange":     {of: anyElement.with(shape{"low": quantityOne, "high": quantityOne})},
		"maxDuration":          quantityOne,
		"instruction":          str,
	})
	containerShape = backbone.with(shape{
		"material": conceptOne, "type": conceptOne, "cap": conceptOne, "description": str, "capacity": quantityOne,
		"minimumVolumeQuantity": quantityOne, "minimumVolumeString": str, "preparation": str,
		"additive": {many: true, of: backbone.with(shape{"additiveCodeableConcept": conceptOne, "additiveReference": inside})},
	})
	testedShape = backbone.with(shape{
		"isDerived": yesNo, "type": conceptOne, "preference": str, "container": {of: containerShape}, "requirement": str,
		"retentionTime": quantityOne, "rejectionCriterion": conceptMany, "handling": {many: true, of: handlingShape},
		"singleUse": yesNo, "testingDestination": conceptMany, // R5
	})
	definitionShape = backbone.with(shape{
		"meta": inside, "implicitRules": str, "language": str, "text": inside, "contained": insides,
		"identifier": inside, "typeCollected": conceptOne, "patientPreparation": conceptMany, "timeAspect": str,
		"collection": conceptMany, "typeTested": {many: true, of: testedShape},
		// R5
		"url": str, "version": str, "versionAlgorithmString": str, "versionAlgorithmCoding": inside, "name": str, "title": str,
		"derivedFromCanonical": {many: true, form: text}, "derivedFromUri": {many: true, form: text}, "status": str, "experimental": yesNo,
		"subjectCodeableConcept": conceptOne, "subjectReference": inside, "date": str, "publisher": str, "contact": insides,
		"description": str, "useContext": insides, "jurisdiction": conceptMany, "purpose": str, "copyright": str, "copyrightLabel": str,
		"approvalDate": str, "lastReviewDate": str, "effectivePeriod": inside,
	})
)

// checker holds a tree against its shape. It goes on after a fault, so that one
// reading finds everything.
type checker struct{ found Faults }

func (c *checker) fault(n *node, path, problem, remedy string) {
	c.found = append(c.found, Fault{Path: path, Line: n.line, Column: n.column, Problem: problem, Remedy: remedy})
}

// block checks the elements of n and sets their paths.
func (c *checker) block(n *node, s shape) {
	count := map[string]int{}
	for _, k := range n.kids {
		// JSON keeps the extensions of a value in a sister element named with _.
		name, sister := strings.CutPrefix(k.name, "_")
		k.path = n.path + "." + name
		e, known := s[name]
		if !known || sister && e.form == block {
			c.fault(k, n.path+"."+plain(k.name, 60), "is not an element of R4 or R5", remedyFor(name, s))
			continue
		}
		if e.many {
			k.path = fmt.Sprintf("%s[%d]", k.path, count[k.name])
		} else if count[k.name] == 1 {
			c.fault(k, k.path, "stands twice", "keep one of the two")
		}
		count[k.name]++
		if k.json && k.inList != e.many {
			if e.many {
				c.fault(k, k.path, "is not a list", "write it in square brackets")
			} else {
				c.fault(k, k.path, "is a list", "write one, without square brackets")
			}
			continue
		}
		if !sister {
			c.value(k, e)
		}
	}
}

func (c *checker) value(k *node, e element) {
	if modifies(k.name) {
		c.fault(k, k.path, "changes what the resource means in a way this import doesn't know", "ask its author for a definition without it")
		return
	}
	switch {
	case e.form == block && k.form != block:
		c.fault(k, k.path, "is a single value", "write a block with elements inside")
	case e.form == block && len(k.kids) == 0 && e.of != nil:
		c.fault(k, k.path, "is empty", "leave the element out")
	case e.form == block && e.of != nil:
		c.block(k, e.of)
	case e.form == block:
	case k.form == block:
		c.fault(k, k.path, "is not a single value", "write a "+formName(e.form))
	case k.form == written:
		c.block(k, anyElement)
		if e.form == boolean && k.value != "true" && k.value != "false" {
			c.fault(k, k.path, quote(k.value)+" is neither true nor false", "write true or false")
		}
	case k.form != e.form:
		c.fault(k, k.path, "is not a "+formName(e.form), "write a "+formName(e.form))
	}
	if k.form != block && k.value == "" {
		c.fault(k, k.path, "is empty", "leave the element out")
	}
}

// modifies names the elements that FHIR forbids to ignore when they aren't
// understood (R4 and R5, isModifier with no meaning fixed in the standard).
func modifies(name string) bool { return name == "modifierExtension" || name == "implicitRules" }

func formName(f form) string {
	return map[form]string{text: "text", number: "number", boolean: "true or false"}[f]
}

// remedyFor names the element that was likely meant.
func remedyFor(name string, s shape) string {
	for _, known := range slices.Sorted(maps.Keys(s)) {
		if strings.EqualFold(known, name) || len(name) > 4 && near(strings.ToLower(known), strings.ToLower(name)) {
			return "did you mean " + known + "?"
		}
	}
	return "take it out, or put it into an extension"
}

// near: one letter too many, too few or exchanged.
func near(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if len(b)-len(a) > 1 {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	if len(a) == len(b) {
		return i < len(a) && a[i+1:] == b[i+1:]
	}
	return a[i:] == b[i+1:]
}
