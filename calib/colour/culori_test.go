package colour

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
)

// fromCulori are values of the reference library culori 4.0.2, ten digits:
// linear sRGB, encoded sRGB, XYZ (D65) and CIELAB relative to D65.
var fromCulori = []struct {
	linear, encoded, xyz [3]float64
	lab                  Lab
}{
	{[3]float64{0, 0, 0}, [3]float64{0, 0, 0}, [3]float64{0, 0, 0}, Lab{0, 0, 0}},
	{[3]float64{1, 1, 1}, [3]float64{1, 1, 1}, [3]float64{0.9504559271, 1, 1.089057751}, Lab{100, 0, 0}},
	{[3]float64{1, 0, 0}, [3]float64{1, 0, 0}, [3]float64{0.4123907993, 0.2126390059, 0.01933081872}, Lab{53.2371156, 80.09011352, 67.20326351}},
	{[3]float64{0, 1, 0}, [3]float64{0, 1, 0}, [3]float64{0.3575843394, 0.7151686788, 0.1191947798}, Lab{87.73551911, -86.18159689, 83.18662027}},
	{[3]float64{0, 0, 1}, [3]float64{0, 0, 1}, [3]float64{0.1804807884, 0.07219231536, 0.9505321522}, Lab{32.3008729, 79.19527031, -107.8554655}},
	{[3]float64{0.18, 0.18, 0.18}, [3]float64{0.4613561295, 0.4613561295, 0.4613561295}, [3]float64{0.1710820669, 0.18, 0.1960303951}, Lab{49.49610761, 0, 0}},
	{[3]float64{0.002, 0.0031, 0.0032}, [3]float64{0.02584, 0.040052, 0.04132335863}, [3]float64{0.002510831574, 0.002873316325, 0.003449868342}, Lab{2.595455995, -0.9017526746, -0.458561269}},
	{[3]float64{0.2, 0.5, 0.02}, [3]float64{0.4845292045, 0.7353569831, 0.1517037193}, [3]float64{0.2648799453, 0.4015559869, 0.08247419669}, Lab{69.58021193, -42.28559662, 62.93610923}},
	{[3]float64{0.9, 0.04, 0.6}, [3]float64{0.9546871719, 0.2209163625, 0.797737733}, [3]float64{0.493743566, 0.2632972417, 0.5924848194}, Lab{58.34870796, 81.47013383, -35.08221232}},
	{[3]float64{0.01, 0.3, 0.75}, [3]float64{0.09985282273, 0.5838314901, 0.8808250211}, [3]float64{0.2467598011, 0.2708212302, 0.7488508563}, Lab{59.05026408, -4.521801237, -47.13012651}},
}

// The library writes its matrices as decimals, so it agrees with the exact
// ones to some 1e-10; a Lab value has factors of up to 500 x 7.8 on that.
const (
	culoriTolerance    = 1e-9
	culoriLabTolerance = 1e-6
	// Its adaptation is rounded on the way, and agrees to 5e-8.
	culoriAdaptationTolerance = 1e-7
)

func checkAgainstCulori(t *testing.T, linear, encoded, xyz [3]float64, lab Lab) {
	t.Helper()
	gotXYZ := product(LinearToXYZ(), linear[:])
	gotLinear := product(XYZToLinear(), xyz[:])
	for c := range 3 {
		within(t, "encoded", Encode(linear[c]), encoded[c], culoriTolerance)
		within(t, "XYZ", gotXYZ[c], xyz[c], culoriTolerance)
		within(t, "linear", gotLinear[c], linear[c], 5*culoriTolerance) // the inverse amplifies by up to 5
	}
	checkLab(t, ToLab(gotXYZ, SRGBWhite()), lab)
}

func checkLab(t *testing.T, got, want Lab) {
	t.Helper()
	within(t, "L*", got.L, want.L, culoriLabTolerance)
	within(t, "a*", got.A, want.A, culoriLabTolerance)
	within(t, "b*", got.B, want.B, culoriLabTolerance)
}

func TestColoursAgreeWithCommittedReference(t *testing.T) {
	for _, v := range fromCulori {
		checkAgainstCulori(t, v.linear, v.encoded, v.xyz, v.lab)
	}
}

// askedOfCulori converts pairs of colours, tells their CIEDE2000 difference,
// and adapts the first as if it had been seen in D50.
const askedOfCulori = `
const { rgb, xyz65, lab65, differenceCiede2000 } = require("culori");
const pairs = JSON.parse(require("fs").readFileSync(0, "utf8"));
const difference = differenceCiede2000();
const one = v => {
	const linear = { mode: "lrgb", r: v[0], g: v[1], b: v[2] };
	const e = rgb(linear), x = xyz65(linear), l = lab65(linear);
	return { Linear: v, Encoded: [e.r, e.g, e.b], XYZ: [x.x, x.y, x.z], Lab: { L: l.l, A: l.a, B: l.b } };
};
const colours = pairs.map(([a, b]) => {
	const A = one(a), B = one(b);
	const s = xyz65({ mode: "xyz50", x: A.XYZ[0], y: A.XYZ[1], z: A.XYZ[2] });
	const D = difference({ mode: "lrgb", r: a[0], g: a[1], b: a[2] }, { mode: "lrgb", r: b[0], g: b[1], b: b[2] });
	return { A, B, Adapted: [s.x, s.y, s.z], Difference: D };
});
process.stdout.write(JSON.stringify(colours));
`

type culoriColour struct {
	Linear, Encoded, XYZ [3]float64
	Lab                  Lab
}

type culoriPair struct {
	A, B       culoriColour
	Adapted    [3]float64
	Difference float64
}

// culoriFolder is the folder node_modules that holds culori. Without node or
// the library the test is skipped, or fails where EVENLIGHT_REQUIRE_TOOLS is
// set.
func culoriFolder(t *testing.T) string {
	t.Helper()
	folder := os.Getenv("EVENLIGHT_CULORI")
	check := exec.Command("node", "-e", `require("culori")`)
	check.Env = append(os.Environ(), "NODE_PATH="+folder)
	if folder != "" && check.Run() == nil {
		return folder
	}
	const remedy = "set EVENLIGHT_CULORI to the node_modules folder that holds npm's culori, and install node"
	if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
		t.Fatal("no culori: " + remedy + ", or unset EVENLIGHT_REQUIRE_TOOLS")
	}
	t.Skip("no culori: " + remedy)
	return ""
}

func askCulori(t *testing.T, pairs [][2][3]float64) []culoriPair {
	t.Helper()
	folder := culoriFolder(t)
	in, err := json.Marshal(pairs)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", "-e", askedOfCulori)
	cmd.Env = append(os.Environ(), "NODE_PATH="+folder)
	cmd.Stdin = bytes.NewReader(in)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	answer, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %s", err, complaint.Bytes())
	}
	var out []culoriPair
	if err := json.Unmarshal(answer, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestColoursAgreeWithCulori(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	var pairs [][2][3]float64
	for range 300 {
		var pair [2][3]float64
		for k := range pair {
			level := rng.Float64() * rng.Float64() // more of the dark ones
			for c := range pair[k] {
				pair[k][c] = level * rng.Float64()
			}
		}
		pairs = append(pairs, pair)
	}
	answers := askCulori(t, pairs)
	if len(answers) != len(pairs) {
		t.Fatalf("%d answers to %d questions", len(answers), len(pairs))
	}
	adaptation := Adaptation(fromChromaticity(0.3457, 0.3585), SRGBWhite()) // the library's D50
	for _, p := range answers {
		checkAgainstCulori(t, p.A.Linear, p.A.Encoded, p.A.XYZ, p.A.Lab)
		checkAgainstCulori(t, p.B.Linear, p.B.Encoded, p.B.XYZ, p.B.Lab)
		within(t, "CIEDE2000", DeltaE2000(p.A.Lab, p.B.Lab), p.Difference, culoriTolerance)
		adapted := product(adaptation, p.A.XYZ[:])
		for c := range adapted {
			within(t, "adapted from D50", adapted[c], p.Adapted[c], culoriAdaptationTolerance)
		}
	}
}
