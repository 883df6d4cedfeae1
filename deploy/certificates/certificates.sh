#!/bin/sh
# A private certificate authority for the broker: one certificate for each truck, one for the
# broker, one for the daemon. Needs nothing but a POSIX shell and openssl.
#
# Where the certificates name a truck, the broker lets it speak for itself alone: see
# deploy/mosquitto/heatbook-certificates.conf.
set -eu
umask 077

usage() {
    cat <<'TEXT'
Use: certificates.sh [-d FOLDER] [-n DAYS] COMMAND

  new-authority        makes the authority, in FOLDER (default: ./authority)
  broker HOST...       a certificate for the broker, with every name and address it is reached by
  daemon               a certificate for Heatbook itself
  truck NAME...        a certificate for each truck, named as in the fleet file
  list                 what was issued, and until when it is good
  revoke WHO           takes a certificate back (a truck's name, "broker" or "daemon")
  renew WHO            puts a new certificate in the place of one that runs out; the old one stays
                       good until it ends

  -n DAYS              how long what is issued is good. Default: trucks 5 years, broker and daemon 2

No file is ever overwritten. Keep FOLDER off the broker and off line: whoever has ca.key can be
any truck.
TEXT
}

AUTHORITY_DAYS=7300
TRUCK_DAYS=1825
HOUSE_DAYS=730
DAEMON=heatbook # the user name that deploy/mosquitto/acl gives the daemon's rights to
BROKER='heatbook broker' # no truck can have a name with a blank
SOON_S=5184000  # `list` says so when a certificate ends within 60 days

fail() {
    printf '%s\n' "$*" >&2
    exit 1
}

# --- names -------------------------------------------------------------------------------------

check_truck() { # the name is a level of a topic and the user at the broker
    case $1 in
    '') fail "A truck's name is empty; name it as in the fleet file." ;;
    . | ..) fail "'$1' cannot be a truck's name: in an address it leads elsewhere." ;;
    *[!ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-]*)
        fail "'$1' cannot be a truck's name: use letters a-z and A-Z, digits, '.', '_' and '-'." ;;
    broker | daemon) fail "'$1' means the certificate of the $1 here: a truck needs another name." ;;
    "$DAEMON" | "$DAEMON"-*)
        fail "'$1' is kept for the daemon: a truck of that name could write as every other." ;;
    esac
    [ "${#1}" -le 64 ] || fail "'$1' is longer than 64 letters; rename the truck."
}

alternative_name() { # DNS or IP, as a certificate writes it
    case $1 in
    '' | *[!ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789.:-]*)
        fail "'$1' is no host name and no address; write it like broker.northfold.example." ;;
    *:*) printf 'IP:%s' "$1" ;;
    *[!0123456789.]*) printf 'DNS:%s' "$1" ;;
    *) printf 'IP:%s' "$1" ;;
    esac
}

# --- files -------------------------------------------------------------------------------------

place_of() { # where a certificate lies, without .crt and .key
    case $1 in
    broker) printf '%s/broker' "$folder" ;;
    daemon) printf '%s/%s' "$folder" "$DAEMON" ;;
    *) printf '%s/trucks/%s' "$folder" "$1" ;;
    esac
}

need_authority() {
    [ -f "$folder/ca.key" ] ||
        fail "There is no authority in $folder; make one with 'new-authority', or name its folder with -d."
    # Two at once would both write the list of what was issued.
    mkdir "$folder/.busy" 2>/dev/null ||
        fail "Another certificates.sh works in $folder. If none does, remove $folder/.busy."
    # shellcheck disable=SC2064 # the folder as it is now
    trap "rm -rf '$folder/.busy'" EXIT
    trap 'exit 1' HUP INT TERM
}

write_settings() { # what openssl goes by; kept beside the authority, so that it moves along
    cat >"$folder/openssl.cnf" <<'TEXT'
[ca]
default_ca = authority

[authority]
database = index.txt
new_certs_dir = .busy
certificate = ca.crt
private_key = ca.key
rand_serial = yes
crlnumber = crlnumber
default_md = sha256
unique_subject = no
policy = names
# A list that has run out shuts every truck out: it lasts as long as the authority.
default_crl_days = 7300
crl_extensions = list

[names]
commonName = supplied

[request]
prompt = no
distinguished_name = nobody

[nobody]

[list]
authorityKeyIdentifier = keyid:always

[authority_itself]
basicConstraints = critical, CA:true, pathlen:0
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash

[client]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = clientAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid:always

[server]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = serverAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid:always
TEXT
}

ask_openssl() { # its chatter only when it fails
    (cd "$folder" && openssl "$@") >"$folder/.busy/said" 2>&1 || {
        cat "$folder/.busy/said" >&2
        fail "openssl $1 failed."
    }
}

new_key() { ask_openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$1"; }

write_list() {
    ask_openssl ca -config openssl.cnf -batch -gencrl -out .busy/crl.pem
    chmod 644 "$folder/.busy/crl.pem"
    mv "$folder/.busy/crl.pem" "$folder/crl.pem"
}

# --- commands ----------------------------------------------------------------------------------

new_authority() {
    [ ! -e "$folder" ] || fail "$folder is there already; nothing was changed. Name another with -d."
    mkdir -p "$folder"
    mkdir "$folder/.busy" "$folder/trucks" "$folder/old"
    # shellcheck disable=SC2064 # half an authority is none
    trap "rm -rf '$folder'" EXIT
    trap 'exit 1' HUP INT TERM
    write_settings
    : >"$folder/index.txt"
    echo 01 >"$folder/crlnumber"
    new_key ca.key
    ask_openssl req -new -x509 -config openssl.cnf -extensions authority_itself -key ca.key \
        -subj "/CN=Heatbook trucks" -days "${days:-$AUTHORITY_DAYS}" -sha256 -out ca.crt
    chmod 644 "$folder/ca.crt"
    write_list
    rm -rf "$folder/.busy"
    trap - EXIT
    cat <<TEXT
The authority is in $folder.
  ca.crt   goes to the broker, to every truck and to the daemon
  crl.pem  goes to the broker: what was taken back (nothing yet)
  ca.key   stays here. Whoever has it can be any truck: keep this folder on a medium that is
           plugged in only to issue and take back, and a copy of it in another place.
TEXT
}

issue() { # WHO COMMON-NAME KIND DAYS [ALTERNATIVE-NAMES]
    place=$(place_of "$1")
    for file in "$place.crt" "$place.key"; do
        [ ! -e "$file" ] ||
            fail "$file is there already; nothing was changed. 'renew $1' makes another, 'revoke $1' takes it back."
    done
    new_key .busy/new.key
    ask_openssl req -new -config openssl.cnf -key .busy/new.key -subj "/CN=$2" -out .busy/new.csr
    {
        sed -n "/^\[$3\]/,/^$/p" "$folder/openssl.cnf"
        [ -z "${5:-}" ] || echo "subjectAltName = $5"
    } >"$folder/.busy/kind"
    ask_openssl ca -config openssl.cnf -batch -notext -in .busy/new.csr -days "$4" \
        -extfile .busy/kind -extensions "$3" -out .busy/new.crt
    chmod 644 "$folder/.busy/new.crt"
    mv "$folder/.busy/new.key" "$place.key"
    mv "$folder/.busy/new.crt" "$place.crt"
    printf '%s\n' "$place.crt" "$place.key"
}

issue_broker() { # HOST...
    [ $# -gt 0 ] || fail "Say by which names and addresses the broker is reached: broker HOST..."
    names=
    for host in "$@"; do
        names=${names:+$names,}$(alternative_name "$host")
    done
    issue broker "$BROKER" server "${days:-$HOUSE_DAYS}" "$names"
    cat <<TEXT
To the broker's machine, into /etc/mosquitto/certs/, readable for the user mosquitto alone:
  ca.crt, crl.pem, broker.crt, broker.key
TEXT
}

issue_daemon() {
    issue daemon "$DAEMON" client "${days:-$HOUSE_DAYS}"
    cat <<TEXT
To the daemon's machine, into /etc/heatbook/, the key readable for the daemon alone; with
[mqtt.tls] ca_file, cert_file and key_file in its settings:
  ca.crt, $DAEMON.crt, $DAEMON.key
TEXT
}

issue_trucks() { # NAME...
    [ $# -gt 0 ] || fail "Name the trucks: truck NAME..."
    for name in "$@"; do
        check_truck "$name"
    done
    for name in "$@"; do
        issue "$name" "$name" client "${days:-$TRUCK_DAYS}"
    done
    cat <<TEXT
To each truck's gateway its own two files and ca.crt; then delete its .key here: it is needed
nowhere else.
TEXT
}

list() {
    for file in "$folder/broker.crt" "$folder/$DAEMON.crt" "$folder"/trucks/*.crt "$folder"/trucks/.*.crt; do
        [ -f "$file" ] || continue
        name=${file##*/}
        [ "$file" != "$folder/$DAEMON.crt" ] || name=daemon.crt # as the other commands call it
        ends=$(openssl x509 -in "$file" -noout -enddate)
        word=
        openssl x509 -in "$file" -noout -checkend "$SOON_S" >/dev/null || word="  RUNS OUT: renew it"
        printf '%-24s until %s%s\n' "${name%.crt}" "${ends#notAfter=}" "$word"
    done
    taken=$(grep -c '^R' "$folder/index.txt" || true)
    echo "$taken taken back."
}

put_away() { # WHO: its files make room; nothing is deleted
    place=$(place_of "$1")
    [ -f "$place.crt" ] || fail "No certificate was issued to '$1'; 'list' says to whom."
    serial=$(openssl x509 -in "$place.crt" -noout -serial)
    for kind in crt key; do
        [ ! -e "$place.$kind" ] || mv "$place.$kind" "$folder/old/${place##*/}-${serial#serial=}.$kind"
    done
}

revoke() { # WHO: the present certificate, and those that a renewal left good
    place=$(place_of "$1")
    case $1 in
    broker) common_name=$BROKER ;;
    *) common_name=${place##*/} ;;
    esac
    [ ! -f "$place.crt" ] || put_away "$1"
    serials=$(awk -F '\t' -v subject="/CN=$common_name" \
        '$1 == "V" && $6 == subject { print $4 }' "$folder/index.txt")
    [ -n "$serials" ] || fail "'$1' has no certificate that could be taken back; 'list' says who has."
    for serial in $serials; do
        ask_openssl ca -config openssl.cnf -batch -revoke "old/${place##*/}-$serial.crt"
    done
    write_list
    cat <<TEXT
What was issued to $1 is taken back: $(echo "$serials" | wc -l | tr -d ' ').
Copy $folder/crl.pem to the broker, into /etc/mosquitto/certs/, and restart the broker: the list
is read at its start, and who is connected stays so until then.
TEXT
}

renew() { # WHO
    case $1 in
    broker)
        place=$(place_of broker)
        [ -f "$place.crt" ] || fail "No certificate was issued to 'broker'; 'list' says to whom."
        hosts=$(openssl x509 -in "$place.crt" -noout -ext subjectAltName |
            sed -n '2{s/DNS://g;s/IP Address://g;s/,//g;p;}')
        put_away broker
        # shellcheck disable=SC2086 # several hosts are meant
        issue_broker $hosts
        ;;
    daemon)
        put_away daemon
        issue_daemon
        ;;
    *)
        check_truck "$1"
        put_away "$1"
        issue_trucks "$1"
        ;;
    esac
}

folder=./authority
days=
[ "${1:-}" != --help ] || { usage && exit 0; }
while getopts d:n:h option; do
    case $option in
    d) folder=$OPTARG ;;
    n) days=$OPTARG ;;
    h) usage && exit 0 ;;
    *) usage >&2 && exit 2 ;;
    esac
done
shift $((OPTIND - 1))
case $days in 0* | *[!0123456789]*) fail "-n takes a number of days, not '$days'." ;; esac
case $folder in /*) ;; *) folder=$PWD/$folder ;; esac
case $folder in *\'*) fail "The folder's name must not hold a quotation mark." ;; esac

command=${1:-}
[ -z "$command" ] || shift
case $command in
new-authority) new_authority ;;
broker) need_authority && issue_broker "$@" ;;
daemon) need_authority && issue_daemon ;;
truck) need_authority && issue_trucks "$@" ;;
list) need_authority && list ;;
revoke | renew)
    [ $# -eq 1 ] || fail "Say whose: $command WHO"
    need_authority && "$command" "$1"
    ;;
'') usage >&2 && exit 2 ;;
*) fail "There is no command '$command'; 'certificates.sh -h' says which there are." ;;
esac
