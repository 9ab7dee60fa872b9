package influxdb

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"gopkg.in/yaml.v3"
)

// The compose file holds no secret, opens nothing beyond this machine, and gives the yard the one token that reads.
func TestComposeKeepsToItself(t *testing.T) {
	b, err := os.ReadFile("compose.yaml")
	require.NoError(t, err)
	var c struct {
		Services map[string]struct {
			Ports, Secrets, Command []string
			Environment             map[string]string
			CapDrop                 []string `yaml:"cap_drop"`
			SecurityOpt             []string `yaml:"security_opt"`
			Image                   string
		}
		Secrets map[string]struct{ File string }
	}
	require.NoError(t, yaml.Unmarshal(b, &c))
	require.Len(t, c.Services, 2)
	for name, s := range c.Services {
		for _, p := range s.Ports {
			require.True(t, strings.HasPrefix(p, "127.0.0.1:"), "%s opens %s", name, p)
		}
		for _, used := range s.Secrets {
			require.Contains(t, c.Secrets, used, name)
		}
		for key, value := range s.Environment {
			if regexp.MustCompile(`PASSWORD|TOKEN|USERNAME`).MatchString(key) {
				require.True(t, strings.HasSuffix(key, "_FILE"), key)
				require.True(t, strings.HasPrefix(value, "/run/secrets/"), value)
			}
		}
		require.Equal(t, []string{"ALL"}, s.CapDrop, name)
		require.Equal(t, []string{"no-new-privileges:true"}, s.SecurityOpt, name)
	}
	require.Equal(t, []string{"yard_token"}, c.Services["yard"].Secrets)
	require.Contains(t, c.Services["yard"].Command, "/run/secrets/yard_token")
	made, err := os.ReadFile("make-secrets")
	require.NoError(t, err)
	for name, s := range c.Secrets {
		require.Equal(t, "secrets", filepath.Base(filepath.Dir(s.File)))
		require.Contains(t, string(made), name, "nobody makes this secret")
	}
	ignored, err := os.ReadFile("../../.gitignore")
	require.NoError(t, err)
	require.Contains(t, string(ignored), "/deploy/influxdb/secrets/")
}
