#!/bin/sh
# A private authority and the certificates it signs, for one broker and its users.
set -eu

AUTHORITY_DAYS=3650
OTHER_DAYS=730

about() {
    cat <<'TEXT'
usage: make-certificates.sh FOLDER broker NAME-OR-ADDRESS...
       make-certificates.sh FOLDER user NAME...

Makes in FOLDER what is needed for TLS between a broker and its users:
  broker   broker.crt and broker.key, for two years, good for every NAME-OR-ADDRESS
           under which clients know the broker (a name, an IPv4 or an IPv6 address)
  user     NAME.crt and NAME.key, for two years; NAME is the user of the broker's ACL
The first call also makes ca.crt and ca.key, the authority, for ten years. Keep ca.key
away from the broker and from every hut: whoever has it can be anybody.

A second call renews: a new key and a new certificate take the place of the old.

    sh make-certificates.sh pki broker broker.fern-ridge.example 192.0.2.10
    sh make-certificates.sh pki user fern-ridge-hut hub viewer

Exit code 0: done; 1: openssl failed, the old files are as they were; 2: wrong arguments.
TEXT
}

wrong() {
    echo "make-certificates.sh: $1; see --help" >&2
    exit 2
}

make_authority() {
    [ -f "$folder/ca.key" ] && return
    [ -f "$folder/ca.crt" ] && wrong "$folder has ca.crt but no ca.key: it cannot sign"
    openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -sha256 \
        -days "$AUTHORITY_DAYS" -subj "/CN=Private authority of $(basename "$folder")" \
        -addext "basicConstraints=critical,CA:true,pathlen:0" \
        -addext "keyUsage=critical,keyCertSign,cRLSign" \
        -keyout "$folder/ca.key.new" -out "$folder/ca.crt.new" 2>"$folder/said" || failed
    mv "$folder/ca.crt.new" "$folder/ca.crt"
    mv "$folder/ca.key.new" "$folder/ca.key"
}

# make NAME SUBJECT USAGE NAMES: sign NAME.crt and NAME.key anew.
make() {
    new="$folder/.new-$1"
    {
        echo "basicConstraints=critical,CA:false"
        echo "keyUsage=critical,digitalSignature"
        echo "extendedKeyUsage=$3"
        echo "subjectKeyIdentifier=hash"
        echo "authorityKeyIdentifier=keyid"
        [ -z "$4" ] || echo "subjectAltName=$4"
    } >"$new.ext"
    openssl req -new -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -sha256 \
        -subj "/CN=$2" -keyout "$new.key" -out "$new.csr" 2>"$folder/said" || failed
    openssl x509 -req -sha256 -days "$OTHER_DAYS" -in "$new.csr" -extfile "$new.ext" \
        -CA "$folder/ca.crt" -CAkey "$folder/ca.key" -set_serial "0x$(openssl rand -hex 16)" \
        -out "$new.crt" 2>"$folder/said" || failed
    mv "$new.key" "$folder/$1.key"
    mv "$new.crt" "$folder/$1.crt"
    rm -f "$new.ext" "$new.csr" "$folder/said"
    echo "$folder/$1.crt: $(openssl x509 -noout -enddate -in "$folder/$1.crt")"
}

failed() {
    cat "$folder/said" >&2
    rm -f "$folder/said" "$folder"/*.new "$folder"/.new-*
    echo "make-certificates.sh: openssl failed; what was there is as it was" >&2
    exit 1
}

names_of() {
    all=""
    for name in "$@"; do
        case "$name" in
        *[!A-Za-z0-9.:_-]* | "") wrong "'$name' is no host name and no address" ;;
        *:*) kind=IP ;;
        *[!0-9.]*) kind=DNS ;;
        *) kind=IP ;;
        esac
        all="$all${all:+,}$kind:$name"
    done
    echo "$all"
}

case "${1:-}" in
--help | -h) about; exit 0 ;;
esac
[ $# -ge 3 ] || wrong "too few arguments"
folder=$1 kind=$2
shift 2
case "$kind" in
broker) names=$(names_of "$@") ;;
user)
    for name in "$@"; do
        case "$name" in
        *[!A-Za-z0-9._-]* | "" | .* | ca | broker)
            wrong "'$name' is no name of a user: letters, digits, . _ and -" ;;
        esac
    done ;;
*) wrong "'$kind' is neither broker nor user" ;;
esac
umask 077
mkdir -p "$folder"
make_authority
if [ "$kind" = broker ]; then
    make broker "${1}" serverAuth "$names"
else
    for name in "$@"; do
        make "$name" "$name" clientAuth ""
    done
fi
