// Package mqtt takes the reports of wireless nodes from an MQTT broker, of version 3.1.1 (ISO/IEC 20922:2016) or 5 (OASIS Standard, 2019).
//
// It subscribes anew after every connect, tries for ever to come back, at growing intervals of up to a minute, and the first connect is
// no different from the others. Its will says "offline" on a topic of its own and it says "online" there itself, both retained.
//
// Sessions are clean: a broker that kept messages while nobody listened would hand them over later without a word about their age, and an old
// reading would look fresh. For the same reason a retained message is taken only at a time of its own; without one it is listed as last known,
// age unknown. A node that keeps its readings sends them with their times, or with their ages.
//
// What a message says is told by the config: which level of the topic is the node's number, or where in the JSON it stands, and where the
// quantities and the time are, each by a JSON Pointer (RFC 6901). A message that is a bare number has the pointer "".
package mqtt
