package rules

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const module = "tackline"

// rule says what the packages of one folder may import, beside the standard library and packages of their own folder.
// The first rule whose folder fits a package holds for it: the deeper folders stand first.
type rule struct {
	folder string   // this folder and all below it; "=folder" is this one alone
	may    []string // import paths or prefixes ending in /
	never  []string // of the standard library
	why    string
}

// noWorld is what a pure package has no business with.
var noWorld = []string{"os", "net", "log", "database/sql", "math/rand", "os/exec", "syscall", "runtime", "io/fs", "testing", "embed"}

const (
	units    = module + "/advisor/units"
	trace    = module + "/advisor/trace"
	air      = module + "/advisor/air"
	gonum    = "gonum.org/v1/gonum/"
	tridiag  = module + "/advisor/internal/tridiag"
	cholesky = module + "/advisor/internal/symmetric"
)

var rules = []rule{
	{"advisor/units", nil, noWorld, "typed numbers are the ground of everything: they lean on nothing"},
	{"advisor/trace", nil, noWorld, "a history is times and numbers, whatever was measured"},
	{"advisor/air", []string{units, trace, gonum}, noWorld, "the laws of moist air know no timber and no resin"},
	{"advisor/internal", []string{units, trace, gonum}, noWorld, "solvers and reference cases that several laws share know none of them"},
	{"advisor/timber", []string{units, trace, air, tridiag, gonum}, noWorld, "timber stands in air"},
	{"advisor/heat", []string{units, trace, air, tridiag, gonum}, noWorld, "heat moves between air and a panel, whatever it is made of"},
	{"advisor/cure", []string{units, trace, air, gonum}, noWorld, "a film cures along a temperature, wherever that comes from"},
	{"advisor/batch", []string{units, trace, module + "/advisor/cure", gonum}, noWorld, "a batch is resin that cures in a vessel"},
	{"advisor/learn", []string{units, trace, module + "/advisor/cure", cholesky}, noWorld, "what a finger found is held against how a film cures, whoever touched it"},
	{"advisor/forecast", []string{units, trace, air, gonum}, noWorld, "the next days follow from the log alone, not from what is done with them"},
	{"advisor/sequence", []string{units}, noWorld, "the order of the work is the trade's, not physics: how a coat stands is handed in"},
	{"advisor/building", []string{units, trace, air, module + "/advisor/forecast", cholesky}, noWorld, "a shed is a store of heat, whatever is done in it"},
	{"advisor/plan", []string{module + "/advisor/"}, noWorld, "a plan joins all the laws"},
	{"advisor", []string{module + "/advisor/", gonum}, noWorld, "advice must come out the same in a test, a replay and a record ten years on"},

	{"=sensors", nil, nil, "anyone may name a Reading without pulling in a bus"},
	{"sensors/internal/chip/chiptest", []string{"=" + module + "/sensors", "=" + module + "/sensors/internal/chip", "=" + module + "/sensors/sensortest", "periph.io/x/conn/", "github.com/stretchr/testify/require"}, nil, "the tests of a class of chips know its drivers only by the interface"},
	{"sensors/sensortest", []string{"=" + module + "/sensors", "periph.io/x/conn/", "github.com/stretchr/testify/require"}, nil, "the suite that every driver runs knows drivers only by the interface"},
	{"sensors/mqtt/mqtttest", []string{"github.com/stretchr/testify/require"}, nil, "a broker for tests knows nothing of what is sent by it"},
	{"sensors/drivers", []string{module + "/sensors", "periph.io/x/"}, nil, "the table of drivers is the one place that knows all chips and opens buses"},
	{"sensors", []string{"=" + module + "/sensors", module + "/sensors/sensortest", module + "/sensors/tracefile", module + "/sensors/nodes", module + "/sensors/internal/",
		"periph.io/x/conn/", "periph.io/x/devices/", "github.com/eclipse/paho.golang/", "github.com/eclipse/paho.mqtt.golang"},
		nil, "a driver does not know what its number is for, nor any other driver"},

	{"daemon/durable", nil, nil, "a file that outlives a power cut needs the file system alone"},
	{"daemon/clock", []string{"golang.org/x/sys/unix"}, nil, "whether the time can be believed depends on the kernel alone"},
	{"daemon/doctor", nil, nil, "a board is looked over by its files alone, before anything of the daemon runs"},
	{"daemon/sdnotify", []string{"golang.org/x/sys/unix"}, nil, "telling the service manager needs a socket and the monotonic clock"},
	{"daemon/poll", []string{module + "/sensors", module + "/daemon/clock"}, nil, "logging must not depend on thinking, nor on where it is stored"},
	{"daemon/compare", []string{module + "/advisor/air", module + "/advisor/units", module + "/sensors", module + "/daemon/poll", module + "/daemon/jobbook"}, nil, "a comparison is judged by readings, wherever they come from"},
	{"daemon/store", []string{module + "/daemon/durable", module + "/sensors", "modernc.org/sqlite"}, nil, "the store calls nobody"},
	{"daemon/jobbook", []string{module + "/advisor", module + "/daemon/durable", module + "/sensors", "modernc.org/sqlite"}, nil, "people's facts are kept apart from readings and survive their loss"},
	{"daemon/mirror/influxtest", []string{"github.com/stretchr/testify/require"}, nil, "a server for tests knows nothing of what is sent to it"},
	{"daemon/mirror", []string{module + "/sensors", "github.com/influxdata/influxdb-client-go/v2"}, nil, "the mirror follows the store and may die alone"},
	{"daemon/yard", []string{"github.com/influxdata/influxdb-client-go/v2"}, nil, "many sheds are read from InfluxDB alone, not from any shed's files"},
	{"daemon/access", []string{module + "/daemon/durable", "golang.org/x/time/rate"}, nil, "who asks is told from the request and a list of phones, whatever is asked for"},
	{"daemon/attest", []string{module + "/daemon/durable"}, nil, "a seal is over bytes, whatever they say"},
	{"daemon/backup", []string{module + "/daemon/store", module + "/daemon/jobbook"}, nil, "a backup knows the two files, and no running part"},
	{"daemon/transfer", []string{module + "/daemon/store", module + "/daemon/mirror", module + "/sensors"}, nil, "readings go in and out by the store, in the mirror's own lines"},
	{"daemon/pack", []string{module + "/advisor/cure", module + "/advisor/trace", module + "/daemon/jobbook", module + "/dashboard/record"}, nil, "an archive of a job knows what is kept of it, and no running part"},
	{"daemon/config", []string{module + "/sensors", module + "/advisor/", "github.com/pelletier/go-toml/v2"}, nil, "the config knows the words of sensors and systems, and no running part"},
	{"daemon/outlook", []string{module + "/daemon/durable"}, nil, "an outdoor forecast is fetched and read, whatever it is used for"},
	{"daemon/alert/alerttest", []string{"=" + module + "/daemon/alert", "github.com/stretchr/testify/require"}, nil, "the suite that every way out runs knows them only by the interface"},
	{"=daemon/alert", nil, nil, "what to say and when is decided from plain values: it knows neither advice nor storage"},
	{"daemon/alert", []string{"=" + module + "/daemon/alert", module + "/daemon/alert/alerttest", module + "/daemon/alert/internal/", "github.com/wneessen/go-mail",
		"github.com/eclipse/paho.golang/", "periph.io/x/conn/"}, nil,
		"a way out knows the message and its own server"},
	{"daemon/wire", []string{module + "/advisor/units", module + "/advisor/sequence", module + "/daemon/jobbook"}, nil, "the form of the job book on the wire is a function of its types"},
	{"daemon/assess", []string{module + "/advisor", module + "/sensors", module + "/daemon/jobbook", module + "/daemon/alert"}, nil,
		"the join of facts and laws: it reads what is stored and calls no way out"},
	{"daemon", []string{module + "/"}, nil, "the wiring knows every part"},

	{"dashboard/chart", nil, nil, "a drawing is a pure function of its series"},
	{"dashboard/record", []string{module + "/advisor", module + "/sensors", module + "/dashboard/chart", "codeberg.org/go-pdf/fpdf", "codeberg.org/go-fonts/liberation/", "golang.org/x/image/draw"}, nil, "a record is drawn with the page's own charts, so paper and screen cannot differ"},
	{"dashboard", []string{module + "/advisor", module + "/sensors", module + "/dashboard/", "rsc.io/qr"}, nil,
		"the page shows and posts; it reaches the daemon only by interfaces that it declares"},

	{"cmd", []string{module + "/", "github.com/spf13/cobra", "golang.org/x/sys/unix", "rsc.io/qr"}, nil, "commands join the parts for one task; no logic of their own"},
	{"deploy/board/guest", []string{"golang.org/x/sys/unix"}, nil, "the first process of an emulated board speaks to its kernel"},
	{"deploy", nil, nil, "what ships and checks the project is not part of it"},
}

func TestImportsGoTheWayTheDesignDraws(t *testing.T) {
	root := repositoryRoot(t)
	checked := 0
	eachGoFile(t, root, func(file string) {
		if strings.HasSuffix(file, "_test.go") {
			return // tests may look at anything
		}
		folder := path.Dir(file)
		r, ok := ruleFor(folder)
		require.Truef(t, ok, "%s: no import rule for folder %s: add one with its reason", file, folder)
		for _, imp := range importsOf(t, filepath.Join(root, file)) {
			checked++
			require.Truef(t, allowed(r, folder, imp), "%s imports %s: not allowed, because %s", file, imp, r.why)
		}
	})
	require.Greater(t, checked, 20)
}

func TestEveryRuleHasAReason(t *testing.T) {
	for _, r := range rules {
		require.NotEmpty(t, r.why, r.folder)
	}
}

func ruleFor(folder string) (rule, bool) {
	for _, r := range rules {
		if exact, ok := strings.CutPrefix(r.folder, "="); ok {
			if folder == exact {
				return r, true
			}
			continue
		}
		if folder == r.folder || strings.HasPrefix(folder, r.folder+"/") {
			return r, true
		}
	}
	return rule{}, false
}

func allowed(r rule, folder, imp string) bool {
	first, _, _ := strings.Cut(imp, "/")
	if first != module && !strings.Contains(first, ".") {
		return !slices.ContainsFunc(r.never, func(n string) bool { return imp == n || strings.HasPrefix(imp, n+"/") })
	}
	own := module + "/" + strings.TrimPrefix(r.folder, "=")
	if imp == own || strings.HasPrefix(imp, own+"/") && !strings.HasPrefix(r.folder, "=") && ownFolderIsOneRoom(r.folder) {
		return true
	}
	if imp == module+"/"+folder || strings.HasPrefix(imp, module+"/"+folder+"/internal") {
		return true
	}
	return slices.ContainsFunc(r.may, func(m string) bool {
		if exact, ok := strings.CutPrefix(m, "="); ok {
			return imp == exact
		}
		return imp == m || strings.HasPrefix(imp, strings.TrimSuffix(m, "/")+"/")
	})
}

// ownFolderIsOneRoom tells whether packages below a rule's folder may import one another freely. Drivers and ways out may not.
func ownFolderIsOneRoom(folder string) bool { return folder != "sensors" && folder != "daemon/alert" }

func importsOf(t *testing.T, file string) []string {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
	require.NoError(t, err)
	var all []string
	for _, i := range f.Imports {
		p, err := strconv.Unquote(i.Path.Value)
		require.NoError(t, err)
		all = append(all, p)
	}
	return all
}

func repositoryRoot(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	require.NoError(t, err)
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			b, err := os.ReadFile(filepath.Join(dir, "go.mod"))
			require.NoError(t, err)
			if strings.HasPrefix(string(b), "module "+module+"\n") {
				return dir
			}
		}
		up := filepath.Dir(dir)
		require.NotEqual(t, dir, up, "no go.mod of module %s above the test", module)
		dir = up
	}
}

// eachGoFile visits every Go file of the project's own module, as a slash path from the root. Folders with a go.mod of their own are not it.
func eachGoFile(t *testing.T, root string, visit func(file string)) {
	t.Helper()
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			name := d.Name()
			if p != root && (strings.HasPrefix(name, ".") || name == "testdata" || name == "node_modules") {
				return filepath.SkipDir
			}
			if _, err := os.Stat(filepath.Join(p, "go.mod")); err == nil && p != root {
				return filepath.SkipDir
			}
			return nil
		}
		if strings.HasSuffix(p, ".go") {
			rel, err := filepath.Rel(root, p)
			if err != nil {
				return err
			}
			visit(filepath.ToSlash(rel))
		}
		return nil
	})
	require.NoError(t, err)
}
